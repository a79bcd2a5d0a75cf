"""A journal of another clock: found by what was switched, said, and used where one shift fits."""

from dataclasses import replace

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.journal_clock import SAME_CLOCK, judge_clock
from busdoc.health.incident import Incident, IncidentKind
from tests.truth.hand_records import NS, action, dropout, sweeper

NAMES = ("engine", "display", "broom", "hopper", "fan", "lift")
CYCLES_S = (60.0, 130.0, 171.0)
WATCHED = (0, 300 * NS)


def silence(at_s: float) -> Incident:
    return replace(dropout(at_s, at_s + 6.0, *NAMES), kind=IncidentKind.BUS_SILENCE)


def story(ahead_s: float) -> tuple[list[Action], list[Incident]]:
    actions = [action(n, s + 0.5 + ahead_s, ActionKind.POWER_CYCLE) for n, s in enumerate(CYCLES_S, start=1)]
    return actions, [silence(s) for s in CYCLES_S]


@pytest.mark.parametrize("ahead_s", [5.0, -5.0, 60.0, -60.0, 3600.0, -3600.0, 7200.0])
def test_a_shift_is_found_from_the_power_cycles(ahead_s: float) -> None:
    clock = judge_clock(sweeper(), *story(ahead_s), WATCHED)
    assert not clock.doubted
    assert abs(clock.offset_ns / NS - ahead_s) < 1.0
    assert clock.words is not None
    assert ("ahead of" if ahead_s > 0 else "behind") in clock.words


def test_a_journal_that_is_right_is_left_alone() -> None:
    assert judge_clock(sweeper(), *story(0.0), WATCHED).offset_ns == 0


def test_a_journal_that_fits_at_no_one_shift_accuses_nobody() -> None:
    actions, incidents = story(0.0)
    scattered = [replace(one, time_ns=one.time_ns + k * 97 * NS + 41 * NS) for k, one in enumerate(actions)]
    clock = judge_clock(sweeper(), scattered, incidents, WATCHED)
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
    assert not judge_clock(small, cycles, fell, WATCHED).doubted
    assert judge_clock(sweeper(), cycles, fell, WATCHED).doubted  # of more controllers more would have fallen


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
    clock = judge_clock(sweeper(), actions, steady(24.0, lasts_s), WATCHED)
    assert clock.doubted == doubted
    assert not clock.offset_ns


def plugs(ahead_s: float) -> tuple[list[Action], list[Incident]]:
    """Give a branch that makes its controller fall as it is plugged in, and holds it down until it is out again."""
    out_s, in_s = (10.0, 47.0, 66.0, 111.0, 142.0, 191.0, 219.0, 261.0), (31.0, 58.0, 97.0, 131.0, 175.0, 214.0, 244.0)
    done = [(s, ActionKind.UNPLUG) for s in out_s] + [(s, ActionKind.PLUG) for s in in_s]
    actions = [action(n, s + 0.5 + ahead_s, kind, "harness-B") for n, (s, kind) in enumerate(sorted(done), start=1)]
    return actions, [dropout(s + 1.0, back_s + 2.0, "hopper") for s, back_s in zip(in_s, out_s[1:], strict=True)]


@pytest.mark.parametrize("ahead_s", [5.0, -5.0, 60.0, -60.0, 3600.0, -3600.0, 7200.0])
def test_a_shift_is_found_from_plugs_alone(ahead_s: float) -> None:
    clock = judge_clock(sweeper(), *plugs(ahead_s), WATCHED)
    assert not clock.doubted
    assert abs(clock.offset_ns / NS - ahead_s) < 2.0


def test_plugs_that_are_right_are_left_alone() -> None:
    assert judge_clock(sweeper(), *plugs(0.0), WATCHED) == SAME_CLOCK


@pytest.mark.parametrize("ahead_s", [5.0, -60.0])
def test_one_loss_that_any_plug_may_have_made_moves_no_clock(ahead_s: float) -> None:
    actions, incidents = plugs(ahead_s)
    assert not judge_clock(sweeper(), actions, incidents[:1], WATCHED).offset_ns


def test_what_somebody_says_of_his_times_is_believed() -> None:
    """Five seconds are no shift of times that are a minute uncertain."""
    actions, incidents = plugs(5.0)
    rough = [replace(one, uncertainty_ns=60 * NS) for one in actions]
    assert judge_clock(sweeper(), rough, incidents, WATCHED) == SAME_CLOCK


@pytest.mark.parametrize("offset_s", [-2000.0, -3.0, 0.5, 777.0])
def test_only_the_time_between_journal_and_recording_counts(offset_s: float) -> None:
    """Both moved together is the same story; and what is found moves with the journal, by definition of a clock."""
    actions, incidents = plugs(40.0)
    move_ns = round(offset_s * NS)
    moved = [replace(one, time_ns=one.time_ns + move_ns) for one in actions]
    fell = [
        replace(
            one,
            last_seen_ns=one.last_seen_ns + move_ns,
            onset_ns=one.onset_ns + move_ns,
            back_ns=None if one.back_ns is None else one.back_ns + move_ns,
            losses=tuple(
                replace(
                    loss,
                    last_seen_ns=loss.last_seen_ns + move_ns,
                    onset_ns=loss.onset_ns + move_ns,
                    back_ns=None if loss.back_ns is None else loss.back_ns + move_ns,
                )
                for loss in one.losses
            ),
        )
        for one in incidents
    ]
    there = (WATCHED[0] + move_ns, WATCHED[1] + move_ns)
    assert judge_clock(sweeper(), moved, fell, there) == judge_clock(sweeper(), actions, incidents, WATCHED)


def test_a_silent_segment_is_no_power_cycle() -> None:
    """Met in simulation: who hangs on a broken segment falls as often as not, runs on, and is not switched off."""
    actions = [action(1, 200.0, ActionKind.POWER_CYCLE)]
    ran_on = [dropout(s, s + 9.0, "hopper", "fan", "lift", p_restarted=0.02) for s in (20.0, 60.0, 90.0)]
    cut = dropout(199.5, 208.0, "engine", "display", "broom")
    assert judge_clock(sweeper(), actions, [*ran_on, cut], WATCHED) == SAME_CLOCK


def test_a_long_journal_of_many_losses_is_bounded() -> None:
    actions, incidents = plugs(0.0)
    many = [replace(one, time_ns=one.time_ns + k * NS) for k in range(500) for one in actions]
    losses = [dropout(300.0 + 7.0 * k, 303.0 + 7.0 * k, "hopper") for k in range(500)]
    assert not judge_clock(sweeper(), many, [*incidents, *losses], (0, 4000 * NS)).offset_ns


def hard(ahead_s: float) -> tuple[list[Action], list[Incident]]:
    """Give a branch that has its controller fall as it is in; each look at another branch stays quiet for a while.

    What fell is taken off again within seconds; the controller is back three seconds after it is let go.
    """
    steps = (
        (50.0, ActionKind.UNPLUG, "harness-A"),
        (53.0, ActionKind.UNPLUG, "harness-B"),
        (56.0, ActionKind.UNPLUG, "harness-C"),
        (64.0, ActionKind.PLUG, "harness-A"),
        (96.0, ActionKind.PLUG, "harness-B"),
        (102.0, ActionKind.UNPLUG, "harness-B"),
        (118.0, ActionKind.PLUG, "harness-C"),
        (150.0, ActionKind.UNPLUG, "tilt-angle"),
        (154.0, ActionKind.PLUG, "harness-B"),
        (186.0, ActionKind.PLUG, "tilt-angle"),
        (191.0, ActionKind.REPLACE, "tilt-angle"),
    )
    actions = [action(n, s + 0.5 + ahead_s, kind, part) for n, (s, kind, part) in enumerate(steps, start=1)]
    fell = [(40.0, 56.0), (97.0, 105.0), (186.5, 194.0)]
    return actions, [dropout(lost_s, back_s, "hopper") for lost_s, back_s in fell]


@pytest.mark.parametrize("ahead_s", [5.0, 60.0, -60.0, 3600.0, -3600.0])
def test_two_plugs_that_showed_and_were_undone_tell_the_shift(ahead_s: float) -> None:
    clock = judge_clock(sweeper(), *hard(ahead_s), WATCHED)
    assert not clock.doubted
    assert abs(clock.offset_ns / NS - ahead_s) < 2.5


def test_a_shift_that_is_likely_and_not_sure_accuses_nobody() -> None:
    """Five seconds behind, each loss comes a while after its plug, which a part that shows now and then may make."""
    clock = judge_clock(sweeper(), *hard(-5.0), WATCHED)
    assert clock.doubted or clock.offset_ns


def test_plugs_that_showed_and_were_undone_in_time_are_left_alone() -> None:
    assert judge_clock(sweeper(), *hard(0.0), WATCHED) == SAME_CLOCK


def dead(ahead_s: float) -> tuple[list[Action], list[Incident]]:
    """Give a branch that keeps its controller down from the start, until it is taken off."""
    steps = (
        (50.0, ActionKind.UNPLUG, "harness-A"),
        (54.0, ActionKind.UNPLUG, "harness-B"),
        (64.0, ActionKind.PLUG, "harness-A"),
        (96.0, ActionKind.PLUG, "harness-B"),
        (102.0, ActionKind.UNPLUG, "harness-B"),
        (150.0, ActionKind.PLUG, "harness-B"),
        (155.0, ActionKind.REPLACE, "harness-B"),
    )
    actions = [action(n, s + 0.5 + ahead_s, kind, part) for n, (s, kind, part) in enumerate(steps, start=1)]
    return actions, [dropout(97.0, 104.3, "hopper"), dropout(150.4, 157.2, "hopper")]


@pytest.mark.parametrize("ahead_s", [5.0, -60.0])
def test_who_is_first_heard_as_something_comes_out_tells_too(ahead_s: float) -> None:
    heard_ns = dict.fromkeys(NAMES, 0)
    first = judge_clock(sweeper(), *dead(ahead_s), WATCHED, heard_ns | {"hopper": round(56.3 * NS)})
    assert abs(first.offset_ns / NS - ahead_s) < 2.5
    assert judge_clock(sweeper(), *dead(0.0), WATCHED, heard_ns | {"hopper": round(56.3 * NS)}) == SAME_CLOCK
