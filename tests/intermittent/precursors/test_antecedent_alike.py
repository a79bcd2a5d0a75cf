"""Kinds of events that nothing in the record can tell apart."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.intermittent.dropouts import SETTLE_NS, Dropouts, Watched
from busdoc.intermittent.precursors.antecedent import find_antecedents
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at

S = 10**9
COMMAND_S = (110.0, 273.0, 420.0, 600.0, 744.0, 900.0, 1019.0, 1250.0, 1430.0, 1600.0)


def kind(name: str, *at_s: float) -> EventKind:
    return events_at(name, EventSource.SIGNAL, np.array([round(t * S) for t in at_s], np.int64))


def told(
    *kinds: EventKind, until_s: float = 3600.0, lost_s: tuple[float, ...] = COMMAND_S
) -> dict[str, tuple[str, ...]]:
    """Give the names under which kinds are told, with the others of each; a second after each command one falls."""
    last_ns = np.array([round((t + 1.0) * S) for t in lost_s], np.int64)
    dropouts = Dropouts(
        controllers=("hopper",),
        last_seen_ns=last_ns,
        onset_ns=last_ns + S // 10,
        over_ns=last_ns + S,
        watched=Watched.between(0, round(until_s * S), [(t, t + S + SETTLE_NS) for t in last_ns.tolist()]),
    )
    return {test.name: test.aliases for test in find_antecedents([dropouts], kinds)}


def test_an_echo_is_joined_to_its_command() -> None:
    assert told(kind("echo", *(t + 0.3 for t in COMMAND_S)), kind("command", *COMMAND_S)) == {"command": ("echo",)}


def test_an_echo_that_was_missed_once_is_still_one() -> None:
    assert len(told(kind("command", *COMMAND_S), kind("echo", *(t + 0.1 for t in COMMAND_S[1:])))) == 1


def test_a_switch_that_went_off_before_stays_apart() -> None:
    assert len(told(kind("on", *COMMAND_S), kind("off", *(t - 2.0 for t in COMMAND_S)))) == 2


def test_a_kind_that_happens_twice_as_often_stays_apart() -> None:
    often = sorted((*COMMAND_S, *(t + 20.0 for t in COMMAND_S)))
    assert len(told(kind("often", *often), kind("command", *COMMAND_S))) == 2


def test_kinds_that_come_all_the_time_are_not_taken_for_one() -> None:
    dense = [t + 0.2 * k for t in COMMAND_S for k in range(5)]
    assert len(told(kind("one", *dense), kind("other", *(t + 0.05 for t in dense)))) == 2


def test_what_has_nothing_to_do_with_the_dropouts_is_not_looked_at_so_closely() -> None:
    late_s = [t + 2000.0 for t in COMMAND_S]
    assert len(told(kind("one", *late_s), kind("other", *(t + 0.1 for t in late_s)))) == 2


@settings(max_examples=8)
@given(groups=st.lists(st.integers(1, 3), min_size=1, max_size=4), seed=st.integers(0, 99))
def test_every_kind_is_named_once(groups: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    kinds, lost_s = [], []
    for g, size in enumerate(groups):
        at_s = np.arange(500.0, 49_000.0, 2000.0) + 300.0 * g + rng.uniform(0.0, 99.0, 25)
        kinds += [kind(f"{g}.{k}", *(at_s + 0.1 * k).tolist()) for k in range(size)]
        lost_s += at_s.tolist()
    found = told(*(kinds[k] for k in rng.permutation(len(kinds))), until_s=50_000.0, lost_s=tuple(sorted(lost_s)))
    assert sorted(name for first, others in found.items() for name in (first, *others)) == sorted(k.name for k in kinds)
    assert len(found) == len(groups)
