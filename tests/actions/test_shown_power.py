"""Power that was written down once it was over is put where the traffic shows it; what it does not show stays."""

from dataclasses import replace

import pytest

from busdoc.actions.action import NOT_SWITCHED, Action, ActionKind, Origin
from busdoc.actions.shown_power import as_shown
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from tests.truth.hand_records import NS, action, dropout, health, plug, sweeper, unplug

ALL = ("engine", "display", "broom", "hopper", "fan", "lift")
CYCLE = dropout(60.0, 92.0, *ALL, everyone=True)
"""Thirty seconds off, and a start."""


def shown_s(press: Action, *incidents: object, later: bool = True) -> tuple[float, float]:
    """Give (when, how surely) a press is taken to have been, s."""
    (one,) = as_shown(sweeper(), [press], incidents, later=later)  # type: ignore[arg-type]
    return one.time_ns / NS, one.uncertainty_ns / NS


@pytest.mark.parametrize("written_s", [59.0, 61.5, 75.0, 90.0, 100.0, 200.0])
def test_a_power_cycle_is_the_whole_of_off_and_on_whenever_it_was_written(written_s: float) -> None:
    at_s, sure_s = shown_s(action(1, written_s, ActionKind.POWER_CYCLE), CYCLE)
    assert abs(at_s - 60.0) <= 2.0
    assert sure_s <= 1.0


@pytest.mark.parametrize(
    ("press", "why"),
    [
        (action(1, 40.0, ActionKind.POWER_CYCLE), "long before it"),
        (action(1, 400.0, ActionKind.POWER_CYCLE), "long after it"),
        (action(1, 110.0, ActionKind.POWER_OFF), "off, of what is on again"),
        (action(1, 100.0, ActionKind.POWER_CYCLE, "fuse-3"), "of a feed that has not all who fell"),
        (replace(action(1, 100.0, ActionKind.POWER_CYCLE), origin=Origin.BUS), "its time is the traffic's"),
        (action(1, 100.0, ActionKind.WIGGLE, "battery"), "no power action"),
    ],
)
def test_what_the_traffic_does_not_show_stays_where_it_was_written(press: Action, why: str) -> None:
    assert shown_s(press, CYCLE) == (press.time_ns / NS, 1.0), why


def test_off_is_put_where_it_went_while_it_is_off() -> None:
    assert shown_s(action(1, 80.0, ActionKind.POWER_OFF), CYCLE) == (60.0, 0.5)
    assert shown_s(action(1, 80.0, ActionKind.POWER_OFF, "fuse-3"), dropout(60.0, None, "hopper", "fan", "lift")) == (
        60.0,
        0.5,
    )


def test_each_press_has_its_own_act_and_of_several_that_fit_the_nearest_one() -> None:
    falls = [dropout(t, t + 20.0, *ALL, everyone=True) for t in (60.0, 120.0)]
    presses = [action(1, 82.0, ActionKind.POWER_CYCLE), action(2, 141.0, ActionKind.POWER_CYCLE)]
    assert [one.time_ns / NS for one in as_shown(sweeper(), presses, falls)] == [60.0, 120.0]
    assert [one.n for one in as_shown(sweeper(), presses[::-1], falls[::-1])] == [1, 2]


def test_who_was_down_already_as_the_power_went_is_no_other_act() -> None:
    """A feed lets go; before it is back the main switch is turned: only those who were still up fall then."""
    feed = dropout(60.0, None, "hopper", "fan", "lift")
    rest = dropout(62.1, None, "engine", "display", "broom")
    last = dropout(64.0, None, "engine")
    press = action(1, 62.2, ActionKind.POWER_OFF)
    assert shown_s(press, feed, rest)[0] == 62.2  # at its time already; not at the feed's
    assert shown_s(action(1, 80.0, ActionKind.POWER_OFF), feed, rest)[0] == 62.1
    held = dropout(60.0, None, "hopper", "fan", "lift", "display", "broom")
    assert shown_s(action(1, 64.1, ActionKind.POWER_OFF), held, last)[0] == 64.1
    # Of several still up one alone tells nothing: it fell of itself.
    assert shown_s(action(1, 80.0, ActionKind.POWER_OFF), dropout(64.0, None, "engine"))[0] == 80.0
    assert shown_s(action(1, 80.0, ActionKind.POWER_OFF), feed, dropout(64.0, None, "engine"))[0] == 60.0


def test_beside_plugs_of_a_journal_whose_clock_nothing_proves_only_what_is_just_over_counts() -> None:
    assert shown_s(action(1, 105.0, ActionKind.POWER_CYCLE), CYCLE, later=False)[0] == 60.0
    assert shown_s(action(1, 125.0, ActionKind.POWER_CYCLE), CYCLE, later=False)[0] == 125.0


def test_a_dip_no_hand_is_fast_enough_for_and_controllers_that_ran_on_are_none() -> None:
    assert shown_s(action(1, 65.0, ActionKind.POWER_CYCLE), dropout(60.0, 60.6, *ALL, everyone=True))[0] == 65.0
    kept = dropout(60.0, 92.0, *ALL, everyone=True, p_restarted=0.03)
    assert shown_s(action(1, 100.0, ActionKind.POWER_CYCLE), kept)[0] == 100.0


def test_one_fall_of_all_on_a_fuse_accuses_nobody_until_somebody_says_that_no_hand_was_there() -> None:
    """Nobody wrote it down; three such falls are the fuse's, and so is one that somebody denies."""

    def fuse(actions: list[Action], *at_s: float) -> tuple[float, bool]:
        seen = health(300.0, *(dropout(t, t + 8.0, "hopper", "fan", "lift") for t in at_s))
        verdict = isolate(seen, actions, sweeper(), attribute(seen, actions, sweeper()))
        return next(one.probability for one in verdict.suspects if one.part == "fuse-3"), verdict.by_hand

    denied = [replace(action(1, 60.0, ActionKind.MARK), note=NOT_SWITCHED)]
    once, by_hand = fuse([], 60.0)
    assert once < 0.4
    assert by_hand
    assert fuse(denied, 60.0)[0] > 0.8
    assert not fuse(denied, 60.0)[1]
    assert fuse([], 60.0, 110.0, 170.0)[0] > 0.95
    assert not fuse([], 60.0, 110.0, 170.0)[1]
    # Plugs that were moved before it change little.
    assert fuse([unplug(1, 20.0, "harness-A"), plug(2, 40.0, "harness-A")], 60.0)[0] < 0.4
