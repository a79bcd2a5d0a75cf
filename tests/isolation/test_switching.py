"""Who is back after the supply was switched has restarted: that says nothing of what made it fall."""

import numpy as np
import pytest

from busdoc.actions.action import ActionKind
from busdoc.isolation.suspects.hands.switching import apart_from_hands
from busdoc.isolation.suspects.losses import gather_losses
from tests.truth.hand_records import HandRecord, action, dropout, sweeper

NS = 1_000_000_000
NAMES = ("hopper", "fan", "engine")


def told(at_s: float, kind: ActionKind, feed: str | None, names: tuple[str, ...], offset_s: float = 0.0) -> float:
    """How sure it is that those who fell at 15 s and were back at 40 s had restarted, with this done at that time."""
    losses = gather_losses([dropout(15.0, 40.0, *names, p_restarted=0.9)], NAMES, 0)
    switched = action(1, at_s, kind, feed)
    return float(apart_from_hands(losses, NAMES, sweeper(), [switched], 0, offset_s).p_restarted[0])


@pytest.mark.parametrize("kind", [ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE])
def test_switched_while_it_was_away_nothing_is_known_of_its_return(kind: ActionKind) -> None:
    assert np.isnan(told(25.0, kind, None, ("hopper",)))
    assert np.isnan(told(25.0, kind, "fuse-3", ("hopper",)))


def test_switched_before_it_fell_after_it_was_back_or_elsewhere_it_is_known_as_before() -> None:
    assert told(10.0, ActionKind.POWER_OFF, None, ("hopper",)) == pytest.approx(0.9)
    assert told(45.0, ActionKind.POWER_OFF, None, ("hopper",)) == pytest.approx(0.9)
    assert told(25.0, ActionKind.UNPLUG, "harness-A", ("hopper",)) == pytest.approx(0.9)
    assert told(25.0, ActionKind.POWER_OFF, "fuse-3", ("engine",)) == pytest.approx(0.9)


def test_the_journal_s_own_clock_is_taken_off() -> None:
    assert np.isnan(told(125.0, ActionKind.POWER_OFF, None, ("fan",), offset_s=100.0))
    assert told(25.0, ActionKind.POWER_OFF, None, ("fan",), offset_s=100.0) == pytest.approx(0.9)


def test_the_technician_s_own_power_cycle_is_no_evidence_against_a_feed() -> None:
    """All behind a segment fall and stay away until the power is cycled; then all have restarted, as they must."""
    session = HandRecord(sweeper(latches=True), start_ns=0)
    session.saw(dropout(30.0, 55.0, "hopper", "fan", "lift", p_restarted=0.99))
    session.act(action(1, 42.0, ActionKind.POWER_OFF, None))
    session.act(action(2, 53.0, ActionKind.POWER_ON, None))
    share = {one.part: one.probability for one in session.verdict(56 * NS).suspects}
    assert share["rear-trunk"] > share["fuse-3"]  # it was not heard for long, and that is all that is known
