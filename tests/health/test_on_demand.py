"""Healthy machines that send on demand, in bursts, on change, while somebody looks: of none of it trouble is told."""

import numpy as np
import pytest

from busdoc.health.incident import IncidentKind
from tests.health.made_traffic import MS, S, at, health_of, merged, of_kind, owing, ticking
from tests.truth.by_chance.on_demand import on_demand_traffic
from tests.truth.by_chance.on_demand_sessions import session_traffic

NOT_A_RHYTHM = {"bursts", "answers"}
ACCUSED = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.BUS_SILENCE, IncidentKind.LATE)


@pytest.mark.parametrize("seed", [1, 11, 18, 1001, 1003, 1010, 41_001, 41_012])
def test_nothing_is_told_of_what_comes_on_demand(seed: int) -> None:
    """Seeds in which a command of 10 ms with pauses of heavy tails, or a page, was once taken for a rhythm."""
    block, law_of = on_demand_traffic(seed)
    health = health_of(block)
    cyclic = {law_of[stream.key.id] for one in health.controllers for stream in one.streams if stream.cyclic}
    assert not cyclic & NOT_A_RHYTHM
    assert of_kind(health, *ACCUSED) == []


@pytest.mark.parametrize("seed", [2002, 2009, 2013, 2017, 2019])
def test_nothing_is_told_of_what_people_open_and_close(seed: int) -> None:
    """Seeds of another law in which a session, or bursts of mixed lengths, were once told as dropouts or as late."""
    assert of_kind(health_of(session_traffic(seed)[0]), *ACCUSED) == []


def test_one_long_pause_of_a_stream_alone_is_told_as_what_it_may_be_and_is_no_trouble() -> None:
    steady = ticking(0x18FF0131, period_ns=50 * MS)
    page = ticking(0x18FF0231, 3 * MS, period_ns=200 * MS).without(5 * S, 18 * S)
    health = health_of(merged(steady, page, ticking(0x18FF0142, 7 * MS)))
    assert health.incidents == ()
    assert "stopped for long" in health.warnings[0]
    assert "0x18FF0231 of address 0x31" in health.warnings[0]


def test_what_a_map_says_is_sent_always_is_late_when_it_pauses_alone() -> None:
    steady = ticking(0x18FF0131, period_ns=50 * MS)
    owed = ticking(0x18FF0231, 3 * MS, period_ns=200 * MS).without(5 * S, 18 * S)
    health = health_of(merged(steady, owed, ticking(0x18FF0142, 7 * MS)), [owing((owed.id, 200 * MS))])
    assert [one.kind for one in health.incidents] == [IncidentKind.LATE]
    assert health.warnings == ()


@pytest.mark.parametrize(("n", "is_late"), [(1, False), (2, True)])
def test_a_stream_that_came_back_with_its_controller_more_than_once_is_late_when_it_pauses_alone(
    n: int, is_late: bool
) -> None:
    both = [ticking(0x18FF0131, period_ns=50 * MS), ticking(0x18FF0231, 3 * MS, period_ns=200 * MS)]
    for k in range(n):
        both = [one.without((3 + 4 * k) * S, (5 + 4 * k) * S) for one in both]
    alone = both[1].without(20 * S, 22 * S)
    health = health_of(merged(both[0], alone, ticking(0x18FF0142, 7 * MS)))
    assert len(of_kind(health, IncidentKind.DROPOUT)) == n
    assert len(of_kind(health, IncidentKind.LATE)) == is_late


@pytest.mark.parametrize(("n", "is_late"), [(4, False), (5, True)])
def test_a_controller_of_which_nearly_all_stopped_at_once_is_late(n: int, is_late: bool) -> None:
    gateway = ticking(0x18FF0031, period_ns=500 * MS)
    own = [ticking(0x18FF0131 + 0x100 * k, k * MS, period_ns=50 * MS).without(15 * S, 31 * S) for k in range(n)]
    health = health_of(merged(gateway, *own, ticking(0x18FF0142, 7 * MS)))
    assert [one.kind for one in health.incidents] == [IncidentKind.LATE] * is_late


def test_who_speaks_several_times_while_none_of_its_streams_comes_was_not_away() -> None:
    said = [at(0x18FF0931, k * S, b"\x01") for k in (9, 12, 15)]
    page = ticking(0x18FF0231, 3 * MS, period_ns=200 * MS).without(5 * S, 18 * S)
    other = ticking(0x18FF0142, 7 * MS)
    assert of_kind(health_of(merged(page, *said, other)), IncidentKind.DROPOUT) == []
    assert len(of_kind(health_of(merged(page, other)), IncidentKind.DROPOUT)) == 1


@pytest.mark.parametrize(("n", "is_cyclic"), [(7, True), (8, False)])
def test_a_stream_that_pauses_eight_times_while_its_controller_goes_on_is_sent_on_demand(
    n: int, is_cyclic: bool
) -> None:
    # twice they came back together, so a few pauses of its own are told
    steady, burst = ticking(0x18FF0131, period_ns=50 * MS), ticking(0x18FF0231, 3 * MS, period_ns=20 * MS)
    steady, burst = (one.without(26 * S, 27 * S).without(28 * S, 29 * S) for one in (steady, burst))
    for k in range(n):
        burst = burst.without((2 + 3 * k) * S, (3 + 3 * k) * S)
    health = health_of(merged(steady, burst, ticking(0x18FF0142, 7 * MS)))
    assert [stream.cyclic for one in health.controllers for stream in one.streams if stream.key.id == burst.id] == [
        is_cyclic
    ]
    assert len(of_kind(health, IncidentKind.LATE)) == (n if is_cyclic else 0)


def test_a_controller_that_is_away_again_and_again_is_no_stream_on_demand() -> None:
    both = [ticking(0x18FF0131, period_ns=50 * MS), ticking(0x18FF0231, 3 * MS, period_ns=20 * MS)]
    for k in range(9):
        both = [one.without((2 + 3 * k) * S, (3 + 3 * k) * S) for one in both]
    health = health_of(merged(*both, ticking(0x18FF0142, 7 * MS)))
    assert len(of_kind(health, IncidentKind.DROPOUT)) == 9
    assert np.all([stream.cyclic for one in health.controllers for stream in one.streams])


def test_who_claims_its_address_before_each_return_was_away_though_it_speaks_before_its_stream_comes() -> None:
    """It starts again and again: what is heard of it in a pause of its stream is the start itself (SAE J1939-81)."""
    starts_s = [3 + 3 * k for k in range(9)]
    own = ticking(0x18FF0131, period_ns=200 * MS)
    for start_s in starts_s:
        own = own.without((start_s - 1) * S, start_s * S)
    claims = [at(0x18EEFF31, start_s * S - 500 * MS, bytes(range(1, 9))) for start_s in starts_s]
    health = health_of(merged(own, *claims, ticking(0x18FF0142, 7 * MS)))
    (stream,) = [one for it in health.controllers for one in it.streams if one.key.id == own.id]
    assert stream.cyclic
    told = of_kind(health, IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.RESTARTING)
    assert sum(len(one.losses) for one in told) == len(starts_s)


@pytest.mark.parametrize(("owned", "is_told"), [(False, True), (True, False)])
def test_of_an_identifier_that_nobody_names_it_is_said_that_it_may_be_sent_on_demand(
    owned: bool, is_told: bool
) -> None:
    """An 11-bit identifier says nothing of its sender: one that stops alone may be a unit that failed, or a page."""
    page = ticking(0x231, 3 * MS, period_ns=200 * MS, extended=False).without(5 * S, 18 * S)
    other = ticking(0x142, 7 * MS, extended=False)
    specs = [owing((page.id, 200 * MS), extended=False)] if owned else []
    health = health_of(merged(page, other), specs)
    assert len(of_kind(health, IncidentKind.DROPOUT)) == 1
    assert any("sent on demand" in one for one in health.warnings) == is_told


def test_of_a_29_bit_controller_that_falls_nothing_such_is_said() -> None:
    health = health_of(merged(ticking(0x18FF0231, 3 * MS).without(5 * S, 18 * S), ticking(0x18FF0142, 7 * MS)))
    assert len(of_kind(health, IncidentKind.DROPOUT)) == 1
    assert health.warnings == ()
