"""When a press was really made, and who falls with a part, by hand."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.actions.action import ActionKind, Origin
from busdoc.isolation.suspects.exposure import find_reach
from busdoc.isolation.suspects.press_timing import (
    OFFSET_PRIOR,
    OFFSETS_S,
    group_fit,
    lateness_s,
    lateness_weights,
    soften,
    untold,
)
from busdoc.isolation.suspects.rates import RATES_HZ
from tests.truth.hand_records import NS, action, sweeper


def test_a_press_of_twice_the_uncertainty_may_be_twice_as_late() -> None:
    """From three times as early to five times as late."""
    press = action(1, 50.0, ActionKind.UNPLUG, "harness-A")
    loose = replace(press, uncertainty_ns=2 * NS)
    nodes_s = lateness_s([press, loose])
    assert (nodes_s[0, 0], nodes_s[0, -1]) == pytest.approx((-3.0, 5.0))
    assert nodes_s[1] == pytest.approx(2.0 * nodes_s[0])


def test_what_a_signal_or_the_bus_told_has_no_lag_of_a_hand() -> None:
    """To a tenth of the uncertainty, on the average: the mean lag of a press is taken off again."""
    press = action(1, 50.0, ActionKind.POWER_CYCLE)
    by_hand, by_bus, by_signal = lateness_s(
        [press, replace(press, origin=Origin.BUS), replace(press, origin=Origin.SIGNAL)]
    )
    assert by_hand - by_bus == pytest.approx(np.full(len(by_hand), 0.55))
    assert by_signal == pytest.approx(by_bus)
    assert abs(float(lateness_weights() @ by_bus)) < 0.1


def test_the_clock_of_the_journal_is_the_captures_as_a_rule_and_seconds_off_now_and_then() -> None:
    """Half-second steps up to seven seconds either way (common practice)."""
    assert pytest.approx(np.linspace(-7.0, 7.0, 29)) == OFFSETS_S
    assert OFFSET_PRIOR.sum() == pytest.approx(1.0)
    assert pytest.approx(OFFSET_PRIOR[::-1]) == OFFSET_PRIOR
    # a normal of 0.4 s over one in fifty anywhere
    odds = (np.exp(-0.5 * (0.5 / 0.4) ** 2) + 0.02) / 1.02
    assert OFFSET_PRIOR[15] / OFFSET_PRIOR[14] == pytest.approx(odds)
    assert OFFSET_PRIOR[-1] / OFFSET_PRIOR[14] == pytest.approx(0.02 / 1.02)


def test_the_weights_are_worked_out_once_and_cannot_be_changed_by_a_caller() -> None:
    with pytest.raises(ValueError, match="read-only"):
        lateness_weights()[0] = 1.0


def test_who_falls_with_a_part_is_who_it_reaches_and_hardly_anybody_else() -> None:
    """One in a thousand for each that it does not reach; one in five for each that stayed, unless no map knows it.

    The fourth controller was away already: it neither fell nor stayed.
    """
    reached = np.array(
        [[1, 1, 0, 1, 1], [1, 0, 0, 1, 0], [1, 1, 1, 1, 1], [0, 0, 1, 1, 0], [1, 1, 1, 1, 1]], np.bool_
    )  # fmt: skip
    hit, up = np.array([1, 1, 0, 0, 1], np.bool_), np.array([1, 1, 1, 0, 1], np.bool_)
    loose = np.array([0, 0, 0, 0, 1], np.bool_)
    assert group_fit(reached, hit, up, loose, 0.2) == pytest.approx([1.0, 1e-6, 0.2, 0.0, 1.0])
    by_part = np.array([0.2, 0.2, 0.05, 0.2, 0.2])
    assert group_fit(reached, hit, up, loose, by_part)[2] == pytest.approx(0.05)
    # One of those that were reached shows it, though nobody knows which: that one is not held against the part.
    assert group_fit(reached, hit, up, loose, 0.2, its_own=1) == pytest.approx([1.0, 1e-6, 1.0, 0.0, 1.0])


@pytest.mark.parametrize("order", [("plug", "unplug"), ("unplug", "plug")])
def test_a_branch_that_was_moved_twice_near_a_dropout_is_weighed_by_both_presses(order: tuple[str, str]) -> None:
    """In and out again within two seconds: exposed since the first, if the second was still to come; by hand.

    Out and in again: as it is after being plugged in, whatever was before. The hopper had been back since 50.4 s.
    """
    kinds = {"plug": ActionKind.PLUG, "unplug": ActionKind.UNPLUG}
    out = action(1, 10.0, ActionKind.UNPLUG, "harness-A")
    moves = [action(n, t, kinds[one], "harness-A") for n, t, one in zip((2, 3), (50.0, 52.0), order, strict=True)]
    actions = [out, *moves] if order[0] == "plug" else moves
    reach = find_reach(sweeper(), actions)
    p, c = reach.parts.index("harness-A"), reach.controllers.index("hopper")
    hit = np.array([name in ("hopper", "fan") for name in reach.controllers])
    nodes_s = np.array([a.time_ns / NS for a in actions])[:, None] - lateness_s(actions)
    t, near = 51.0, np.arange(len(actions) - 2, len(actions))
    soft = soften(reach, near, nodes_s, t, hit, 50.4)
    weights, plugged_s = lateness_weights(), nodes_s[near[order.index("plug")]]
    waited_s = np.where(plugged_s < t, t - np.maximum(plugged_s, 50.4), 0.0)
    alive = np.array([weights @ np.exp(-r * waited_s) for r in RATES_HZ])
    shows = np.array([r * (weights @ np.where(plugged_s < t, np.exp(-r * waited_s), 0.0)) for r in RATES_HZ])
    still = float(weights[nodes_s[near[order.index("unplug")]] > t].sum()) if order[0] == "plug" else 1.0
    assert soft.rate[p] == pytest.approx(still * shows / alive)
    assert soft.log_survival[p] == pytest.approx(np.log(alive))
    assert soft.reached[p, c]
    other = reach.parts.index("harness-B")
    assert pytest.approx(RATES_HZ) == soft.rate[other]
    assert not soft.log_survival[other].any()
    assert not soft.reached[other].any()


@pytest.mark.parametrize(
    ("since_s", "written_s", "spread_s", "latest"),
    [
        (10.0, (), 90.0, None),  # no press at all: since it came back
        (10.0, (80.0,), 50.0, 80.0),  # half a minute before the latest press
        (70.0, (40.0, 80.0), 30.0, 80.0),  # but not while the controller was away
        (70.0, (40.0,), 30.0, 40.0),
        (10.0, (80.0, 101.9), 28.1, 101.9),  # one that is written down just after may come before
        (10.0, (80.0, 102.0), 50.0, 80.0),
        (99.8, (), 1.0, None),  # a second at least
    ],
)
def test_a_part_that_is_in_against_what_is_written_may_have_been_put_in_at_the_last_press_or_at_any_time_before(
    since_s: float, written_s: tuple[float, ...], spread_s: float, latest: float | None
) -> None:
    """The dropout comes at 100 s. Half for each: r e^-rw over the readings w of the press, and an even beginning."""
    presses = [action(n, t, ActionKind.UNPLUG, "harness-A") for n, t in enumerate(written_s, start=1)]
    nodes_s = np.array(written_s)[:, None] - lateness_s(presses) if presses else np.empty((0, 81))
    density = untold(np.array(written_s), nodes_s, 100.0, since_s)
    expected = 0.5 * (1.0 - np.exp(-RATES_HZ * spread_s)) / spread_s
    if latest is not None:
        waited_s = 100.0 - np.maximum(latest - lateness_s(presses[:1])[0], since_s)
        weights = np.where(waited_s > 0.0, lateness_weights(), 0.0)
        expected += 0.5 * RATES_HZ * np.array([weights @ np.exp(-r * np.maximum(waited_s, 0.0)) for r in RATES_HZ])
    assert density == pytest.approx(expected)
