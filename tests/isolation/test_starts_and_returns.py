"""How losses ended and starts that failed, against likelihoods worked out by hand with scipy's distributions."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import lognorm

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import Float64Array
from busdoc.health.incident import Incident
from busdoc.isolation.suspects.exposure import Reach, find_reach
from busdoc.isolation.suspects.failed_starts import Starts, weigh_starts
from busdoc.isolation.suspects.losses import Losses, gather_losses
from busdoc.isolation.suspects.press_timing import lateness_s, lateness_weights
from busdoc.isolation.suspects.prior import kind_of
from busdoc.isolation.suspects.rates import RATES_HZ
from busdoc.isolation.suspects.recovery_evidence import holding, weigh_end, weigh_returns
from busdoc.machine.machine import Machine, PartKind
from tests.truth.hand_records import NS, action, dropout, sweeper, unplug

# Median and spread of the logarithm: a fault that lets go alone, and a start after power-up (common practice).
FAULT = lognorm(1.0, scale=6.0)
START = lognorm(0.5, scale=2.7)
SPAN_S = 120.0


def ended(
    fell_s: float, back_s: float | None, *actions: Action, latches: bool | None = None
) -> tuple[dict[str, float], float]:
    """Give the likelihood of how the hopper's loss ended, by part, and if it restarted of itself."""
    machine = sweeper(latches=latches)
    reach, losses = scene(machine, actions, fell_s, back_s)
    kinds = [kind_of(machine, part) for part in reach.parts]
    supply = np.array([kind in (PartKind.FEED, PartKind.SEGMENT) for kind in kinds])
    by_part, alone = weigh_end(
        machine, reach, losses, supply, nodes(actions), reach.controllers.index("hopper"), fell_s + 0.025, SPAN_S
    )
    return dict(zip(reach.parts, by_part.tolist(), strict=True)), alone


def scene(machine: Machine, actions: tuple[Action, ...], fell_s: float, back_s: float | None) -> tuple[Reach, Losses]:
    reach = find_reach(machine, actions)
    return reach, gather_losses([dropout(fell_s, back_s, "hopper")], reach.controllers, 0)


def nodes(actions: tuple[Action, ...]) -> Float64Array:
    written_s = np.array([a.time_ns / NS for a in actions])
    return written_s[:, None] - lateness_s(actions) if actions else np.empty((0, 0))


@pytest.mark.parametrize(("latches", "latching", "holds"), [(None, 0.45, 0.2), (True, 0.97, 0.03), (False, 0.03, 0.35)])
def test_one_that_came_back_alone_did_not_latch(latches: bool | None, latching: float, holds: float) -> None:
    """Densities over the logarithm of how long it lasted, so x times those of the log-normal distribution."""
    lasted_s = 3.975
    by_part, alone = ended(20.0, 24.0, latches=latches)
    let_go = max((1.0 - latching) * lasted_s * FAULT.pdf(lasted_s), 1e-3)
    assert by_part["harness-A"] == pytest.approx((1.0 - (1.0 - latching) * holds) * let_go)
    assert by_part["fuse-3"] == pytest.approx(0.94 * lasted_s * FAULT.pdf(lasted_s))
    assert alone == pytest.approx(0.97 * lasted_s * START.pdf(lasted_s))
    assert holding(latches) == pytest.approx(latching + (1.0 - latching) * holds)


@pytest.mark.parametrize(("latches", "latching", "holds"), [(None, 0.45, 0.2), (True, 0.97, 0.03)])
def test_one_that_was_away_until_its_power_was_cycled_latched_or_had_not_let_go_yet(
    latches: bool | None, latching: float, holds: float
) -> None:
    """Not back for so long: the survival function; while the part is in, a fault that holds goes on holding."""
    cycle = action(1, 60.0, ActionKind.POWER_CYCLE)
    by_part, alone = ended(20.0, 66.0, cycle, latches=latches)
    lasted_s = 60.0 - float(lateness_s((cycle,))[0] @ lateness_weights()) - 20.025
    stayed = latching + (1.0 - latching) * FAULT.sf(lasted_s)
    held = (1.0 - latching) * holds
    assert by_part["harness-A"] == pytest.approx((1.0 - held) * stayed + held, rel=1e-9)
    assert by_part["fuse-3"] == pytest.approx(0.06 + 0.94 * FAULT.sf(lasted_s), rel=1e-9)
    assert alone == pytest.approx(0.03 + 0.97 * START.sf(lasted_s), rel=1e-9)


def test_one_that_is_still_away_may_have_latched_and_an_old_cycle_does_not_matter() -> None:
    by_part, alone = ended(20.0, None, action(1, 10.0, ActionKind.POWER_CYCLE))
    stayed = 0.45 + 0.55 * FAULT.sf(SPAN_S - 20.025)
    assert by_part["harness-A"] == pytest.approx((1.0 - 0.11) * stayed + 0.11, rel=1e-9)
    assert alone == pytest.approx(0.03, abs=1e-6)


def test_one_that_came_back_a_start_after_a_part_came_out_was_held_by_that_part() -> None:
    """Every reading of the press: out at that time, then a start, over how late it may have been written."""
    out = unplug(1, 22.0, "harness-A")
    by_part, _ = ended(15.0, 25.0, out)
    lasted_s = 25.0 - 15.025
    since_s = 25.0 - nodes((out,))[0]
    start = float(lateness_weights() @ np.where(since_s > 0.0, START.pdf(np.maximum(since_s, 1e-9)), 0.0))
    let_go = 0.55 * lasted_s * FAULT.pdf(lasted_s)
    assert by_part["harness-A"] == pytest.approx((1.0 - 0.11) * let_go + 0.11 * start * lasted_s)
    assert by_part["harness-B"] == pytest.approx((1.0 - 0.11) * let_go)


@pytest.mark.parametrize("out_s", [100.0, 118.0])
def test_one_that_did_not_come_back_though_the_part_came_out_was_not_held_by_that_part(out_s: float) -> None:
    """Two seconds after it came out a start may not be over yet."""
    out = unplug(1, out_s, "harness-A")
    by_part, _ = ended(20.0, None, out)
    since_s = SPAN_S - nodes((out,))[0]
    not_yet = float(lateness_weights() @ START.sf(np.maximum(since_s, 1e-9)))
    stayed = 0.45 + 0.55 * FAULT.sf(SPAN_S - 20.025)
    assert by_part["harness-A"] == pytest.approx((1.0 - 0.11) * stayed + 0.11 * not_yet, rel=1e-9)


def test_one_that_fell_after_the_part_was_out_was_not_held_by_that_part() -> None:
    """Nor by one that came out long after it was back."""
    by_part, _ = ended(30.0, 34.0, unplug(1, 20.0, "harness-A"), unplug(2, 60.0, "harness-B"))
    assert by_part["harness-A"] == pytest.approx(by_part["harness-C"])
    assert by_part["harness-B"] == pytest.approx(by_part["harness-C"])


@pytest.mark.parametrize(("after_s", "cycled"), [(2.9, True), (3.1, False)])
def test_a_power_cycle_that_is_written_down_within_three_seconds_after_the_return_may_have_made_it(
    after_s: float, cycled: bool
) -> None:
    """Then how long it lasted says how long it stayed away at least, and no more (a survival function)."""
    lag_s = float(lateness_s((action(1, 0.0, ActionKind.POWER_CYCLE),))[0] @ lateness_weights())
    _, alone = ended(20.0, 24.0, action(1, 24.0 + after_s + lag_s, ActionKind.POWER_CYCLE))
    lasted_s = 3.975
    expected = 0.03 + 0.97 * START.sf(lasted_s) if cycled else 0.97 * lasted_s * START.pdf(lasted_s)
    assert alone == pytest.approx(expected, rel=1e-9)


def test_an_end_within_a_tenth_of_a_second_is_like_one_after_that() -> None:
    """What lasted hardly at all is nearly out of the question alike: one in a thousand, and no less."""
    by_part, _ = ended(20.0, 20.1)
    assert by_part["fuse-3"] == pytest.approx(1e-3)
    lag_s = float(lateness_s((action(1, 0.0, ActionKind.POWER_CYCLE),))[0] @ lateness_weights())
    by_part, _ = ended(20.0, 30.0, action(1, 20.075 + lag_s, ActionKind.POWER_CYCLE))
    assert by_part["fuse-3"] == pytest.approx(0.06 + 0.94 * FAULT.sf(0.1), rel=1e-9)


def returned(*incidents: Incident) -> tuple[Float64Array, Reach]:
    """(P, K) how much likelier each end is of a part than of a restart."""
    machine = sweeper()
    reach = find_reach(machine, ())
    losses = gather_losses(incidents, reach.controllers, 0)
    kinds = [kind_of(machine, part) for part in reach.parts]
    found = weigh_returns(machine, reach, losses, range(len(incidents)), kinds, nodes(()), SPAN_S)
    if incidents:
        assert np.maximum(found.part.max(axis=0), found.background) == pytest.approx(1.0)
    return found.part / found.background, reach


def test_a_cause_tells_once_how_it_lets_go_however_often_it_did() -> None:
    """Each of n losses of one controller counts for the n-th part: the n-th root of its odds; of two that fell
    together each counts half. Others that fell on their own account are counted apart."""
    one, reach = returned(dropout(20.0, 24.0, "hopper"))
    harness = reach.parts.index("harness-A")
    by_part, alone = ended(20.0, 24.0)
    assert one[harness, 0] == pytest.approx(by_part["harness-A"] / alone)
    assert one[reach.parts.index("fuse-3"), 0] == pytest.approx(by_part["fuse-3"] / alone)
    others = [dropout(30.0, 39.0, "fan"), dropout(50.0, 54.0, "hopper"), dropout(80.0, 84.0, "hopper")]
    three, _ = returned(dropout(20.0, 24.0, "hopper"), *others)
    assert three[harness, [0, 2, 3]] == pytest.approx(one[harness, 0] ** (1.0 / 3.0))
    fan, _ = returned(others[0])
    assert three[:, 1] == pytest.approx(fan[:, 0])
    both, _ = returned(dropout(20.0, 24.0, "hopper", "fan"))
    alike, _ = returned(dropout(20.0, 24.0, "fan"))
    assert both[:, 0] == pytest.approx(np.sqrt(one[:, 0] * alike[:, 0]))
    assert returned()[0].shape == (len(reach.parts), 0)


# Starts


def starts(
    actions: tuple[Action, ...], absent: Sequence[tuple[str, int, int | None]], span_s: float = SPAN_S
) -> tuple[Starts, Reach]:
    machine = sweeper()
    reach = find_reach(machine, actions)
    losses = gather_losses([], reach.controllers, 0, absent)
    kinds = [kind_of(machine, part) for part in reach.parts]
    likely_s = np.array([a.time_ns / NS - 0.5 for a in actions])
    return weigh_starts(machine, reach, losses, actions, kinds, likely_s, nodes(actions), span_s), reach


def test_one_that_was_never_heard_accuses_what_it_hangs_on_and_what_hangs_on_it() -> None:
    """Fell in the five minutes before the record and stayed, or was just down: by hand, with the rate of the fault.

    The ends are as above, of an absence that goes on; they count against the likeliest of them.
    """
    failed, reach = starts((), [("hopper", 0, None)])
    stays = 0.45 + 0.55 * 0.2
    fell = stays * (1.0 - np.exp(-300.0 * RATES_HZ)) + (1.0 - stays) * 6.0 * RATES_HZ / (1.0 + 6.0 * RATES_HZ)
    own = 0.89 * (0.45 + 0.55 * FAULT.sf(SPAN_S)) + 0.11
    supply = 0.06 + 0.94 * FAULT.sf(SPAN_S)
    by_part = dict(zip(reach.parts, failed.hazard[:, 0], strict=True))
    assert by_part["harness-A"] == pytest.approx(fell, rel=1e-9)
    assert by_part["hopper"] == pytest.approx(fell, rel=1e-9)
    assert by_part["fuse-3"] == pytest.approx(0.2**2 * fell * supply / own, rel=1e-9)  # fan and lift are up
    assert by_part["engine"] == pytest.approx(0.0)
    assert failed.background[0] == pytest.approx(0.1 * 0.03 / own, rel=1e-9)  # not fitted, asleep, on another bus
    assert failed.action == (None,)
    assert failed.exposed[reach.parts.index("harness-A"), 0]
    assert not failed.exposed[reach.parts.index("engine"), 0]


@pytest.mark.parametrize(
    ("others", "chance"),
    [
        ([("hopper", 0, None)], 0.1),
        ([("hopper", 0, 40 * NS)], 0.02),
        ([("hopper", 0, 40 * NS), ("hopper", 80 * NS, None)], 0.02),
        ([("hopper", 0, None), ("fan", 0, 40 * NS)], 0.02),
    ],
)
def test_one_that_was_never_heard_may_not_be_fitted_and_one_that_was_heard_later_is(
    others: list[tuple[str, int, int | None]], chance: float
) -> None:
    """Times how its absence went on, were it a restart of its own, against the likeliest part."""
    out = (unplug(1, 39.0, "harness-A"),)
    failed, reach = starts(out, others)
    losses = gather_losses([], reach.controllers, 0, others)
    supply = np.array([kind_of(sweeper(), part) in (PartKind.FEED, PartKind.SEGMENT) for part in reach.parts])
    expected = chance
    for name in dict.fromkeys(name for name, _, _ in others):
        c = reach.controllers.index(name)
        by_part, alone = weigh_end(sweeper(), reach, losses, supply, nodes(out), c, 0.0, SPAN_S)
        expected *= alone / max(by_part.max(), alone)
    assert failed.background[0] == pytest.approx(expected)


@pytest.mark.parametrize(("first_s", "counts"), [(11.9, False), (12.0, True)])
def test_a_start_takes_up_to_twelve_seconds(first_s: float, counts: bool) -> None:
    """Common practice: one to ten. Heard after that, it counts only where somebody had just unplugged something."""
    out = (unplug(1, first_s - 1.0, "harness-A"),)
    failed, _ = starts(out, [("hopper", 0, round(first_s * NS))])
    assert failed.action == ((None,) if counts else ())
    asleep, _ = starts((), [("hopper", 0, round(first_s * NS))])
    assert asleep.action == ()
    assert starts((), [("hopper", NS // 4, None)])[0].action == ()  # it was heard, and then no more


@pytest.mark.parametrize(("lag_s", "counts"), [(-1.5, False), (-1.4, True), (20.4, True), (20.5, False)])
def test_one_that_is_heard_within_twenty_seconds_after_something_was_unplugged_answers_to_that(
    lag_s: float, counts: bool
) -> None:
    """The press is likeliest half a second late."""
    out = (unplug(1, 50.0 + 0.5, "harness-A"),)
    failed, _ = starts(out, [("hopper", 0, round((50.0 + lag_s - 0.5) * NS))])
    assert failed.action == ((None,) if counts else ())


def test_a_power_up_that_it_did_not_come_back_from() -> None:
    """It shows in the three seconds of the start; that a sound one needs another switch is two in a hundred."""
    pressed = (action(1, 60.0, ActionKind.POWER_CYCLE),)
    failed, reach = starts(pressed, [("hopper", round(30.0 * NS), None)])
    by_part = dict(zip(reach.parts, failed.hazard[:, 0], strict=True))
    assert failed.action == (0,)
    assert by_part["harness-A"] == pytest.approx(1.0 - np.exp(-3.0 * RATES_HZ))
    assert by_part["fuse-3"] == pytest.approx(0.2**2 * (1.0 - np.exp(-3.0 * RATES_HZ)))
    assert failed.background[0] == 0.02
    # One that came back with the power came, and one that did so too late did not.
    for back_s, n_came in ((65.0, 2), (100.0, 1)):
        with_fan, _ = starts(pressed, [("hopper", 30 * NS, None), ("fan", 30 * NS, round(back_s * NS))])
        fuse = with_fan.hazard[reach.parts.index("fuse-3"), 0]
        assert fuse == pytest.approx(0.2**n_came * (1.0 - np.exp(-3.0 * RATES_HZ)))


@pytest.mark.parametrize(("touched_s", "counts"), [(71.9, False), (72.0, True)])
def test_a_power_up_of_which_something_was_unplugged_before_twelve_seconds_tells_nothing(
    touched_s: float, counts: bool
) -> None:
    pressed = (action(1, 60.0, ActionKind.POWER_CYCLE), unplug(2, touched_s, "harness-A"))
    failed, _ = starts(pressed, [("hopper", round(30.0 * NS), None)])
    assert failed.action == ((0,) if counts else ())
    other = (pressed[0], unplug(2, touched_s, "harness-A"), action(3, touched_s, ActionKind.MARK))
    assert starts(other, [("hopper", round(30.0 * NS), None)])[0].action == ((0,) if counts else ())


def test_a_mark_after_a_power_up_ends_no_waiting_and_another_cycle_does() -> None:
    cycle = action(1, 60.0, ActionKind.POWER_CYCLE)
    away = [("hopper", 30 * NS, None)]
    assert starts((cycle, action(2, 65.0, ActionKind.MARK)), away)[0].action == (0,)
    assert starts((cycle, action(2, 65.0, ActionKind.POWER_CYCLE)), away)[0].action == (1,)


def test_one_that_fell_by_the_power_cycle_itself_was_not_waiting_for_it() -> None:
    """The press is likeliest half a second late: at 59.5 s."""
    cycle = (action(1, 60.0, ActionKind.POWER_CYCLE),)
    assert starts(cycle, [("hopper", round(59.55 * NS), None)])[0].action == ()
    assert starts(cycle, [("hopper", round(59.35 * NS), None)])[0].action == (0,)


def test_switching_one_fuse_on_is_no_start_of_a_controller_on_another() -> None:
    off = action(1, 30.0, ActionKind.POWER_OFF, "fuse-2")
    on = action(2, 60.0, ActionKind.POWER_ON, "fuse-2")
    assert starts((off, on), [("hopper", round(20.0 * NS), None)])[0].action == ()
    assert starts((off, on), [("broom", round(20.0 * NS), None)])[0].action == (1,)


def test_where_nobody_is_up_the_machine_is_off() -> None:
    everybody = [(name, 0, None) for name in sweeper().controllers]
    assert starts((), everybody)[0].action == ()
    assert starts((action(1, 5.0, ActionKind.POWER_ON),), [("hopper", 0, 40 * NS)])[0].action == (0,)  # off until then
