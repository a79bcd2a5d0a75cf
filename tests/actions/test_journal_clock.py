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


def test_a_machine_of_two_controllers_one_of_which_lies_in_its_fault_tells_no_clock() -> None:
    """Met on a small machine in software whose journal was right: with the power only the other one falls."""
    controllers = {name: one for name, one in sweeper().controllers.items() if name in ("engine", "hopper")}
    small = replace(sweeper(), controllers=controllers)
    cycles = [action(1, 37.6, ActionKind.POWER_OFF), action(2, 78.1, ActionKind.POWER_CYCLE)]
    fell = [
        dropout(20.3, 45.6, "hopper"),
        dropout(37.5, 46.2, "engine"),
        dropout(58.2, 84.8, "hopper"),
        dropout(77.4, 85.3, "engine"),
    ]
    assert not judge_clock(small, cycles, fell).doubted
    assert judge_clock(sweeper(), cycles, fell).doubted  # of more controllers more would have fallen


def steady(pause_from_s: float, lasts_s: float) -> list[Incident]:
    """Give a controller that falls every four seconds, but for a pause."""
    times_s = [4.0 * k for k in range(1, 12)]
    moved_s = [t + (lasts_s if t > pause_from_s else 0.0) for t in times_s]
    return [dropout(t, t + 2.0, "hopper") for t in moved_s]


@pytest.mark.parametrize(
    ("ahead_s", "lasts_s", "doubted"),
    [(0.0, 12.0, False), (-20.0, 12.0, True), (25.0, 12.0, True), (-20.0, 4.0, False)],
)
def test_trouble_that_stops_and_comes_back_while_nothing_was_moved_doubts_the_journal(
    ahead_s: float, lasts_s: float, doubted: bool
) -> None:
    # out at 25 s, in at 38 s, by the recording's clock; a pause as short as others tells nothing
    actions = [
        action(1, 25.5 + ahead_s, ActionKind.UNPLUG, "harness-A"),
        action(2, 38.0 + ahead_s, ActionKind.PLUG, "harness-A"),
    ]
    clock = judge_clock(sweeper(), actions, steady(24.0, lasts_s))
    assert clock.doubted == doubted
    assert not clock.offset_ns
