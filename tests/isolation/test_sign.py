"""What 'restarted or kept running' says of the supply against the bus wiring."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.actions.action import NOT_SWITCHED, ActionKind
from busdoc.health.incident import RanOn
from busdoc.health.presence.loss_grouping import ControllerLoss, weighed_together
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.suspects.losses import gather_losses
from tests.truth.hand_records import NS, action, dropout, health, sweeper


def odds_of_trunk_against_fuse(p_restarted: float | None) -> float:
    """Let all behind one fuse, and one trunk, fall once together and come back, and nobody have switched the fuse."""
    denied = replace(action(1, 60.0, ActionKind.MARK), note=NOT_SWITCHED)
    seen = health(120.0, dropout(60.0, 66.0, "hopper", "fan", "lift", p_restarted=p_restarted))
    machine = sweeper()
    verdict = isolate(seen, (denied,), machine, attribute(seen, (denied,), machine))
    given = {suspect.part: suspect.probability for suspect in verdict.suspects}
    return given["rear-trunk"] / given["fuse-3"]


@pytest.mark.parametrize("p_restarted", [0.03, 0.97])
def test_three_controllers_that_came_back_alike_are_surer_than_one(p_restarted: float) -> None:
    """Faults of the supply restart controllers in 98 % of cases, of the bus wiring in 3 % (common practice).

    Three that were read at 97 % each are surer together than one, and never surer than 99.5 %: Bayes by hand.
    """
    p = 0.995 if p_restarted > 0.5 else 0.005
    trunk = 0.03 * p + 0.97 * (1.0 - p)
    fuse = 0.98 * p + 0.02 * (1.0 - p)
    told = odds_of_trunk_against_fuse(p_restarted) / odds_of_trunk_against_fuse(None)
    assert told == pytest.approx(trunk / fuse, rel=0.2)


def test_of_three_that_disagree_the_majority_counts_and_two_that_disagree_say_nothing() -> None:
    def told(*p_restarted: float | None) -> float:
        losses = tuple(
            replace(dropout(60.0, 66.0, name, p_restarted=p).losses[0], p_restarted=p)
            for name, p in zip(("hopper", "fan", "lift"), p_restarted, strict=True)
        )
        seen = replace(dropout(60.0, 66.0, "hopper", "fan", "lift"), losses=losses)
        return float(gather_losses([seen], ("hopper", "fan", "lift"), 0).p_restarted[0])

    assert told(0.9, 0.9, 0.1) == pytest.approx(0.9)
    assert told(0.9, 0.1, None) == pytest.approx(0.5)
    assert told(None, None, 0.8) == pytest.approx(0.8)
    assert np.isnan(told(None, None, None))
    assert told(1.0, 1.0, 1.0) < 1.0


def test_one_that_is_heard_through_a_long_silence_of_its_segment_speaks_against_the_segment() -> None:
    """Beyond an open bus wire nobody is heard (common practice); a short gap may be missed by one that speaks seldom.

    The hopper falls and the fan beside it does not: the hopper's own cause against the trunk that carries both.
    """

    def odds_of_trunk(lasted_s: float, lift_lasted_s: float | None = None) -> float:
        fell = dropout(60.0, 60.0 + lasted_s, "hopper", "lift", p_restarted=None)
        lift_back_ns = round((60.0 + (lasted_s if lift_lasted_s is None else lift_lasted_s)) * NS)
        losses = (fell.losses[0], replace(fell.losses[1], back_ns=lift_back_ns))
        seen = health(120.0, replace(fell, losses=losses))
        verdict = isolate(seen, (), sweeper(), attribute(seen, (), sweeper()))
        given = {suspect.part: suspect.probability for suspect in verdict.suspects}
        return given["rear-trunk"] / given["fuse-3"]

    assert odds_of_trunk(6.0) < 0.4 * odds_of_trunk(1.0)
    assert odds_of_trunk(6.0, 1.0) > 0.8 * odds_of_trunk(1.0)  # the wire made contact again at once for one of them


def test_of_two_that_fell_together_the_one_that_shows_nothing_is_told_by_the_other() -> None:
    """One cause took both: half of a log-odds of ln(97 / 3) is 1.74, 85 % on even odds (by hand).

    The hopper shows that it restarted; the fan, which came back without a word, most likely did too. The lift was lost
    with them and is not back, so nothing is said of it.
    """
    fell = dropout(60.0, 66.0, "hopper", "fan", "lift").losses
    silent = replace(fell[1], ran_on=RanOn.UNKNOWN, p_restarted=0.5)
    gone = replace(fell[2], back_ns=None, ran_on=RanOn.UNKNOWN, p_restarted=None)
    members = [ControllerLoss(loss=one, channel=0, deadline_ns=NS) for one in (fell[0], silent, gone)]
    hopper, fan, lift = (one.loss for one in weighed_together(members))
    assert fan.p_restarted == pytest.approx(1.0 / (1.0 + np.sqrt(3.0 / 97.0)))
    assert fan.ran_on is RanOn.RESTARTED
    assert hopper.p_restarted == pytest.approx(0.97)
    assert lift == gone
    assert [one.loss for one in weighed_together(members[1:2])] == [silent]
