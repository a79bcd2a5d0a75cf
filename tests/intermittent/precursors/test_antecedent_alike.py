"""Kinds of events that nothing in the record can tell apart."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.intermittent.precursors.antecedent_shift import join_alike
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at

S = 10**9


def kind(name: str, *at_s: float, sigma_s: float = 0.0) -> EventKind:
    t_ns = np.array([round(t * S) for t in at_s], np.int64)
    doubt = np.full(len(at_s), round(sigma_s * S), np.int64)
    return events_at(name, EventSource.SIGNAL, t_ns, uncertainty_ns=doubt)


COMMAND_S = (10.0, 73.0, 120.0, 300.0, 444.0, 600.0, 719.0, 850.0, 930.0, 1000.0)


def test_an_echo_is_joined_to_its_command() -> None:
    (joined,) = join_alike([kind("echo", *(t + 0.3 for t in COMMAND_S)), kind("command", *COMMAND_S)])
    assert (joined.kind.name, joined.aliases) == ("command", ("echo",))


def test_an_echo_that_was_missed_once_is_still_one() -> None:
    joined = join_alike([kind("command", *COMMAND_S), kind("echo", *(t + 0.1 for t in COMMAND_S[1:]))])
    assert len(joined) == 1


def test_a_switch_that_goes_off_later_stays_apart() -> None:
    assert len(join_alike([kind("on", *COMMAND_S), kind("off", *(t + 4.0 for t in COMMAND_S))])) == 2


def test_a_kind_that_happens_twice_as_often_stays_apart() -> None:
    often = sorted((*COMMAND_S, *(t + 20.0 for t in COMMAND_S)))
    assert len(join_alike([kind("often", *often), kind("command", *COMMAND_S)])) == 2


def test_kinds_that_come_all_the_time_are_not_taken_for_one() -> None:
    dense = [k * 0.5 for k in range(200)]
    assert len(join_alike([kind("one", *dense), kind("other", *(t + 0.25 for t in dense))])) == 2


def test_times_that_are_not_sure_are_left_alone() -> None:
    assert len(join_alike([kind("command", *COMMAND_S), kind("mark", *COMMAND_S, sigma_s=5.0)])) == 2


def test_the_order_of_what_stays_is_kept() -> None:
    rng = np.random.default_rng(2)
    kinds = [kind(f"{k}", *rng.uniform(0.0, 9000.0, 5 + k).tolist()) for k in range(12)]
    assert [one.kind.name for one in join_alike(kinds)] == [one.name for one in kinds]


@settings(max_examples=40)
@given(groups=st.lists(st.integers(1, 3), min_size=1, max_size=5), seed=st.integers(0, 99))
def test_every_kind_is_named_once(groups: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    kinds = []
    for g, size in enumerate(groups):
        at_s = np.sort(rng.uniform(0.0, 50_000.0, 12))
        kinds += [kind(f"{g}.{k}", *(at_s + 0.1 * k).tolist()) for k in range(size)]
    joined = join_alike([kinds[k] for k in rng.permutation(len(kinds)).tolist()])
    named = [name for one in joined for name in (one.kind.name, *one.aliases)]
    assert sorted(named) == sorted(one.name for one in kinds)
