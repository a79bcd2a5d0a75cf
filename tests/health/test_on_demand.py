"""Healthy machines that send on demand, in bursts, on change, while somebody looks: of none of it trouble is told."""

import numpy as np
import pytest

from busdoc.health.incident import IncidentKind
from tests.health.made_traffic import MS, S, health_of, merged, of_kind, ticking
from tests.truth.by_chance.on_demand import on_demand_traffic

NOT_A_RHYTHM = {"bursts", "answers"}


@pytest.mark.parametrize("seed", [1, 10, 11, 12, 18])
def test_nothing_is_told_of_what_comes_on_demand(seed: int) -> None:
    """Seeds in which a command of 10 ms, with pauses of heavy tails, was once taken for a rhythm.

    A page that somebody closed three times in five minutes may be late: nothing tells it from a part that failed.
    """
    block, law_of = on_demand_traffic(seed)
    health = health_of(block)
    cyclic = {law_of[stream.key.id] for one in health.controllers for stream in one.streams if stream.cyclic}
    assert not cyclic & NOT_A_RHYTHM
    pages = {f"0x{identifier:08X}" for identifier, law in law_of.items() if law == "page"}
    for late in of_kind(health, IncidentKind.LATE):
        assert any(page in text for page in pages for text in late.why)
    for lost in of_kind(health, IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.BUS_SILENCE):
        # the last controller sends on demand alone: while its only page is closed, it may be off
        assert {
            law_of[stream.key.id]
            for one in health.controllers
            if one.name in lost.controllers
            for stream in one.streams
            if stream.cyclic
        } <= {"page", "on change", "with speed"}


@pytest.mark.parametrize(("n", "is_cyclic"), [(7, True), (8, False)])
def test_a_stream_that_pauses_eight_times_while_its_controller_goes_on_is_sent_on_demand(
    n: int, is_cyclic: bool
) -> None:
    steady, burst = ticking(0x18FF0131, period_ns=50 * MS), ticking(0x18FF0231, 3 * MS, period_ns=20 * MS)
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
