"""The arrivals of streams that have few."""

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.health.streams.sparse_arrivals import _ROOM, _ROOM_BEYOND, _STREAMS_WITH_ROOM, SparseArrivals


def fed(rows: list[int], cuts: list[int]) -> SparseArrivals:
    """Feed one arrival a nanosecond, cut into blocks."""
    watch = SparseArrivals()
    edges = [0, *sorted(min(cut, len(rows)) for cut in cuts), len(rows)]
    for first, last in itertools.pairwise(edges):
        watch.feed(np.array(rows[first:last], np.int64), np.arange(first, last, dtype=np.int64))
    return watch


@settings(max_examples=50)
@given(rows=st.lists(st.integers(0, 5), max_size=60), cuts=st.lists(st.integers(0, 60), max_size=6))
def test_every_arrival_of_a_quiet_stream_is_kept_wherever_the_blocks_are_cut(rows: list[int], cuts: list[int]) -> None:
    watch = fed(rows, cuts)
    for row in range(7):
        found = watch.of(row)
        assert found is not None
        assert found.tolist() == [t for t, one in enumerate(rows) if one == row]


def test_a_stream_with_many_arrivals_is_forgotten_and_the_others_are_not() -> None:
    rows = [0] * _ROOM + [1] * 3 + [0] + [1]
    for cuts in ([], [10, _ROOM + 3], [_ROOM, _ROOM + 4]):
        watch = fed(rows, cuts)
        assert watch.of(0) is None
        kept = watch.of(1)
        assert kept is not None
        assert kept.tolist() == [_ROOM, _ROOM + 1, _ROOM + 2, _ROOM + 4]


def test_as_many_arrivals_as_there_is_room_for_are_kept() -> None:
    found = fed([0] * _ROOM, [100]).of(0)
    assert found is not None
    assert len(found) == _ROOM


def test_streams_beyond_the_most_have_less_room() -> None:
    assert fed([_STREAMS_WITH_ROOM] * (_ROOM_BEYOND + 1), []).of(_STREAMS_WITH_ROOM) is None


def test_arrivals_of_many_blocks_are_joined_in_order() -> None:
    watch = SparseArrivals()
    for t in range(6000):
        watch.feed(np.array([t % 3], np.int64), np.array([t], np.int64))
        if t % 1000 == 0:
            assert watch.of(2) is not None
    found = watch.of(2)
    assert found is not None
    assert found.tolist() == list(range(2, 6000, 3))
