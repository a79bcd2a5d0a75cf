"""Which action took supply, bus or connector away, worked out loss by loss, offset by offset, reading by reading."""

from dataclasses import replace
from math import exp, log

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.arrays import Float64Array
from busdoc.isolation.suspects.attribution import taken_away
from busdoc.isolation.suspects.exposure import Reach, find_reach
from busdoc.isolation.suspects.losses import Losses, gather_losses
from busdoc.isolation.suspects.press_timing import OFFSET_PRIOR, OFFSETS_S, lateness_s, lateness_weights
from tests.truth.hand_records import NS, action, dropout, plug, sweeper, unplug

ALL = ("engine", "display", "broom", "hopper", "fan", "lift")
HOLD_UP_S = 0.6
SPAN_S = 400.0


def by_hand(losses: Losses, reach: Reach, actions: list[Action]) -> tuple[Float64Array, float]:
    """To be read beside docs/probabilities.md, "Which action"."""
    n_losses, n_offsets = len(losses.t_s), len(OFFSETS_S)
    density = np.zeros((n_losses, len(actions), n_offsets))
    for k, n in np.ndindex(n_losses, len(actions)):
        fit = fits(losses, reach, k, n)
        for d, offset_s in enumerate(OFFSETS_S if actions[n].origin is Origin.JOURNAL else [0.0] * n_offsets):
            for late_s, weight in zip(lateness_s(actions)[n], lateness_weights(), strict=True):
                after_s = losses.t_s[k] - (actions[n].time_ns / NS - late_s - offset_s)
                if -0.15 < after_s < HOLD_UP_S:
                    density[k, n, d] += fit * weight / (HOLD_UP_S + 0.15)
    kinds = [kind(losses, k) for k in range(n_losses)]
    alone = [0.5, 0.1, 0.1]
    came_alone, offset = list(alone), np.zeros(n_offsets)
    for _ in range(4):
        rate = [(alone[c] + came_alone[c]) / (SPAN_S + 60.0) for c in kinds]
        log_offset = [log(OFFSET_PRIOR[d]) for d in range(n_offsets)]
        for d, k in np.ndindex(n_offsets, n_losses):
            log_offset[d] += log(rate[k] + density[k, :, d].sum())
        offset = np.array([exp(one - max(log_offset)) for one in log_offset])
        offset /= offset.sum()
        came_alone = [0.0, 0.0, 0.0]
        for k, d in np.ndindex(n_losses, n_offsets):
            came_alone[kinds[k]] += offset[d] * rate[k] / (rate[k] + density[k, :, d].sum())
    taken = np.zeros((n_losses, len(actions)))
    for k, n, d in np.ndindex(n_losses, len(actions), n_offsets):
        taken[k, n] += offset[d] * density[k, n, d] / (rate[k] + density[k, :, d].sum())
    return taken, float(offset @ OFFSETS_S)


def kind(losses: Losses, k: int) -> int:
    """One controller; several; all that were up."""
    if losses.hit[k].sum() == 1:
        return 0
    return 1 if any(losses.up[k] & ~losses.hit[k]) else 2


def fits(losses: Losses, reach: Reach, k: int, n: int) -> float:
    """Who fell against whom it takes; one that fell in another incident within the hold-up time was not spared."""
    takes, up, fell = reach.takes[n], losses.up[k], losses.hit[k]
    if not any(takes & up & fell):
        return 0.0
    close = [j for j in range(len(losses.t_s)) if abs(losses.t_s[j] - losses.t_s[k]) < HOLD_UP_S]
    spared = sum(takes[c] and up[c] and not any(losses.hit[j, c] for j in close) for c in range(len(fell)))
    extra = sum(fell[c] and not (takes[c] and up[c]) for c in range(len(fell)))
    return float(0.001**extra * max(0.2**spared, 0.001))


@pytest.mark.parametrize("ahead_s", [0.0, 2.5, 11.0])
def test_it_is_what_every_reading_of_every_press_at_every_offset_of_the_clocks_gives(ahead_s: float) -> None:
    """A lift restarts of itself; a connector and a fuse are pulled; power is cycled twice, once told by the bus itself.

    After the first cycle not all fall at once, after the last hardly anybody does. A clock that
    is eleven seconds off is out of reach but for late presses.
    """
    incidents = [dropout(t, t + 3.0, "lift") for t in (20.0, 80.0, 140.0)]
    incidents += [dropout(199.4, 210.0, "hopper"), dropout(239.2, 250.0, "broom", "lift", "fan")]
    incidents += [dropout(299.3, 306.0, "engine", "broom", "hopper"), dropout(299.7, 306.0, "fan")]
    incidents += [dropout(350.0, 356.0, *ALL, everyone=True), dropout(379.6, 385.0, "lift")]
    actions = [unplug(1, 200.0 + ahead_s, "hopper"), plug(2, 207.0 + ahead_s, "hopper")]
    actions += [unplug(3, 240.0 + ahead_s, "fuse-2"), plug(4, 247.0 + ahead_s, "fuse-2")]
    actions += [action(5, 300.0 + ahead_s, ActionKind.POWER_CYCLE)]
    actions += [action(7, 380.0 + ahead_s, ActionKind.POWER_CYCLE)]
    told = action(6, 350.1, ActionKind.POWER_CYCLE)
    actions.append(replace(told, uncertainty_ns=NS // 5, origin=Origin.BUS))
    reach = find_reach(sweeper(), actions)
    losses = gather_losses(incidents, reach.controllers, 0)
    taken, offset_s = taken_away(losses, reach, actions, 0, SPAN_S)
    expected, expected_offset_s = by_hand(losses, reach, actions)
    assert taken == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert offset_s == pytest.approx(expected_offset_s, rel=1e-9)
    assert bool(taken[3, 0] > 0.9) is (ahead_s < 3.0)
    assert taken[-2, 6] > 0.9
    assert taken[:3].max() < 1e-3


def test_hundreds_of_losses_that_no_action_made_tell_nothing_of_the_clock() -> None:
    pressed = [unplug(1, 200.0, "hopper")]
    reach = find_reach(sweeper(), pressed)
    losses = gather_losses([dropout(t, t + 0.5, "lift") for t in np.arange(1.0, 399.0)], reach.controllers, 0)
    taken, offset_s = taken_away(losses, reach, pressed, 0, SPAN_S)
    assert not taken.any()
    assert offset_s == pytest.approx(0.0, abs=1e-9)


def test_hundreds_of_power_cycles_tell_the_clock_to_within_a_step_of_what_is_asked() -> None:
    """Each makes the others' offsets a thousand times less likely: to the 170th power that is beyond a double."""
    at_s = 40.0 * np.arange(1, 171)
    incidents = [dropout(t, t + 6.0, *ALL, everyone=True) for t in at_s.tolist()]
    actions = [action(n, t + 3.4, ActionKind.POWER_CYCLE) for n, t in enumerate(at_s.tolist(), start=1)]
    reach = find_reach(sweeper(), actions)
    taken, offset_s = taken_away(gather_losses(incidents, reach.controllers, 0), reach, actions, 0, 7000.0)
    assert offset_s == pytest.approx(3.0, abs=0.5)
    assert np.diagonal(taken).min() > 0.9


def test_where_nothing_fell_or_nothing_was_done_nothing_was_taken_away() -> None:
    pressed = [unplug(1, 20.0, "hopper")]
    for incidents, actions in (([], pressed), ([dropout(20.0, 24.0, "hopper")], [])):
        reach = find_reach(sweeper(), actions)
        losses = gather_losses(incidents, reach.controllers, 0)
        taken, offset_s = taken_away(losses, reach, actions, 0, SPAN_S)
        assert taken.shape == (len(incidents), len(actions))
        assert offset_s == 0.0
