"""The time that was watched."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.intermittent.dropouts import Watched

spans = st.lists(st.tuples(st.integers(-5, 60), st.integers(-5, 60)).map(lambda s: (min(s), max(s))), max_size=6)


def seconds_of(watched: Watched) -> set[int]:
    return {
        t for a, b in zip(watched.from_ns.tolist(), watched.to_ns.tolist(), strict=True) for t in range(int(a), int(b))
    }


@settings(max_examples=100)
@given(first=spans, more=spans)
def test_cutting_twice_is_cutting_once(first: list[tuple[int, int]], more: list[tuple[int, int]]) -> None:
    once = Watched.between(0, 50, [*first, *more])
    twice = Watched.between(0, 50, first).without(more)
    assert seconds_of(twice) == seconds_of(once)
    assert twice.total_ns == once.total_ns


@settings(max_examples=100)
@given(cut=spans)
def test_an_instant_is_watched_when_it_lies_in_a_stretch(cut: list[tuple[int, int]]) -> None:
    watched = Watched.between(0, 50, cut)
    instants = np.arange(-3, 55, dtype=np.int64)
    assert set(instants[watched.contains(instants)].tolist()) == seconds_of(watched)


@settings(max_examples=100)
@given(cut=spans)
def test_what_was_watched_before_an_instant_is_counted(cut: list[tuple[int, int]]) -> None:
    watched = Watched.between(0, 50, cut)
    inside = seconds_of(watched)
    instants = np.arange(-3, 55, dtype=np.int64)
    assert watched.before(instants).tolist() == [sum(1 for s in inside if s < t) for t in instants.tolist()]
