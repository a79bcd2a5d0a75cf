"""A journal of another clock: found by what was switched, said, and used where one shift fits."""

from dataclasses import replace

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.journal_clock import judge_clock
from busdoc.health.incident import Incident, IncidentKind
from tests.truth.hand_records import NS, action, dropout, sweeper

NAMES = ("engine", "display", "broom", "hopper", "fan", "lift")
CYCLES_S = (60.0, 130.0, 171.0)


def silence(at_s: float) -> Incident:
    return replace(dropout(at_s, at_s + 6.0, *NAMES), kind=IncidentKind.BUS_SILENCE)


def story(ahead_s: float) -> tuple[list[Action], list[Incident]]:
    actions = [action(n, s + 0.5 + ahead_s, ActionKind.POWER_CYCLE) for n, s in enumerate(CYCLES_S, start=1)]
    return actions, [silence(s) for s in CYCLES_S]


@pytest.mark.parametrize("ahead_s", [5.0, -5.0, 60.0, -60.0, 3600.0, -3600.0, 7200.0])
def test_a_shift_is_found_from_the_power_cycles(ahead_s: float) -> None:
    clock = judge_clock(sweeper(), *story(ahead_s))
    assert not clock.doubted
    assert abs(clock.offset_ns / NS - ahead_s) < 1.0
    assert clock.words is not None
    assert ("ahead of" if ahead_s > 0 else "behind") in clock.words


def test_a_journal_that_is_right_is_left_alone() -> None:
    assert judge_clock(sweeper(), *story(0.0)).offset_ns == 0


def test_a_journal_that_fits_at_no_one_shift_accuses_nobody() -> None:
    actions, incidents = story(0.0)
    scattered = [replace(one, time_ns=one.time_ns + k * 97 * NS + 41 * NS) for k, one in enumerate(actions)]
    clock = judge_clock(sweeper(), scattered, incidents)
    assert clock.doubted
    assert "accuses nobody" in (clock.words or "")
