"""Which part is it: the facts of the trade that the verdict must reproduce."""

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.incident import Incident
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import ELSEWHERE, IsolationVerdict, Outcome, Suspect
from busdoc.machine.machine import Controller, Machine
from tests.truth.hand_records import BRANCHES, NS, ON_IT, HandRecord, action, dropout, health, plug, sweeper, unplug

PULLED = [unplug(k, 40.0 + 3 * k, branch) for k, branch in enumerate(BRANCHES, start=1)]
CYCLE = action(5, 60.4, ActionKind.POWER_CYCLE)
OTHERS = ("engine", "display", "broom", "fan", "lift")


def verdict_on(
    until_s: float,
    incidents: Sequence[Incident],
    actions: Sequence[Action],
    machine: Machine | None = None,
    codes: Sequence[FaultCode] = (),
) -> IsolationVerdict:
    machine = sweeper() if machine is None else machine
    seen = health(until_s, *incidents)
    return isolate(seen, actions, machine, attribute(seen, actions, machine), codes)


def given(verdict: IsolationVerdict, *parts: str) -> float:
    return sum(s.probability for s in verdict.suspects if s.part in parts)


def suspect(verdict: IsolationVerdict, part: str) -> Suspect:
    return next(s for s in verdict.suspects if s.part == part)


def one_at_a_time(order: Sequence[str], bad: str, dwell_s: float = 10.0) -> tuple[list[Incident], list[Action], float]:
    """A latched hopper; all branches out, power cycled, and restored in this order until the bad one is in."""
    incidents = [dropout(30.0, 68.0, "hopper"), dropout(60.1, 67.0, *OTHERS)]
    actions = [*PULLED, CYCLE]
    t = 80.0
    for branch in order:
        actions.append(plug(len(actions) + 1, t + 0.4, branch))
        if branch == bad:
            incidents.append(dropout(t + 0.9, None, "hopper"))
            return incidents, actions, t + 5.0
        t += dwell_s
    raise AssertionError("the bad branch is none of those restored")


@pytest.mark.parametrize("bad", BRANCHES)
def test_a_hard_short_shows_within_seconds_of_plugging_the_bad_branch_back(bad: str) -> None:
    # common practice: a hard short shows within seconds of plugging the bad branch back
    incidents, actions, until_s = one_at_a_time(BRANCHES, bad)
    verdict = verdict_on(until_s, incidents, actions)
    assert {verdict.suspects[0].part, verdict.suspects[1].part} == {bad, ON_IT[bad]}


def test_the_order_of_restoring_does_not_matter() -> None:
    # common practice: in whatever order the branches go back, the bad one shows when it is in
    for order in (("harness-C", "harness-A", "harness-B", "harness-D"), ("harness-D", "harness-B", "harness-A", "x")):
        incidents, actions, until_s = one_at_a_time(order, "harness-A")
        assert given(verdict_on(until_s, incidents, actions), "harness-A", "gate-angle") > 0.75


def test_a_branch_that_went_back_quietly_is_less_suspect_than_one_that_was_not_tried() -> None:
    incidents, actions, until_s = one_at_a_time(BRANCHES, "harness-C", dwell_s=30.0)
    verdict = verdict_on(until_s, incidents, actions)
    assert suspect(verdict, "harness-A").probability < 0.1
    assert given(verdict, "harness-A") <= given(verdict, "harness-D") + 0.01


def test_a_fault_that_stays_with_all_sensors_off_the_branch_is_the_harness() -> None:
    # common practice: what stays with every sensor off the branch is in the harness
    incidents, actions, _ = one_at_a_time(BRANCHES, "harness-A")
    incidents[-1] = dropout(80.9, 110.0, "hopper")
    actions += [unplug(7, 90.0, "gate-angle"), action(8, 101.0, ActionKind.POWER_CYCLE)]
    incidents += [dropout(100.6, 108.0, *OTHERS), dropout(111.0, None, "hopper")]
    verdict = verdict_on(115.0, incidents, actions)
    assert verdict.suspects[0].part == "harness-A"
    assert given(verdict, "gate-angle") < 0.15


def test_a_fault_that_returns_with_the_sensor_is_the_sensor() -> None:
    incidents, actions, _ = one_at_a_time(BRANCHES, "harness-A")
    incidents[-1] = dropout(80.9, 110.0, "hopper")
    actions += [unplug(7, 90.0, "gate-angle"), action(8, 101.0, ActionKind.POWER_CYCLE)]
    incidents += [dropout(100.6, 108.0, *OTHERS), dropout(140.6, None, "hopper")]
    actions += [plug(9, 140.2, "gate-angle")]
    verdict = verdict_on(145.0, incidents, actions)
    assert verdict.suspects[0].part == "gate-angle"
    assert verdict.suspects[0].probability > 0.85
    assert any("was plugged in" in text for text in verdict.suspects[0].why)


def test_several_controllers_at_once_that_restart_are_their_common_fuse() -> None:
    # common practice: what falls at the same instant shares a fuse, a ground, a splice or a segment
    incidents = [dropout(t, t + 5.0, "hopper", "fan", "lift") for t in (30.0, 95.0, 130.0)]
    verdict = verdict_on(200.0, incidents, [])
    assert verdict.suspects[0].part == "fuse-3"
    assert verdict.suspects[0].probability > 0.9
    assert any("fell together 3 times" in text for text in verdict.suspects[0].why)


def test_several_controllers_at_once_that_kept_running_are_their_common_segment() -> None:
    incidents = [dropout(t, t + 5.0, "hopper", "fan", "lift", p_restarted=0.03) for t in (30.0, 95.0, 130.0)]
    verdict = verdict_on(200.0, incidents, [])
    assert verdict.suspects[0].part == "rear-trunk"


def test_restarts_all_over_the_machine_are_elsewhere_whatever_was_done_near_them() -> None:
    names = ("engine", "broom", "hopper", "lift", "display", "fan")
    incidents = [dropout(30.0 + 37.0 * k, 33.0 + 37.0 * k, name) for k, name in enumerate(names)]
    actions = [unplug(1, 99.0, "harness-A"), plug(2, 104.2, "harness-A"), unplug(3, 140.8, "harness-B")]
    verdict = verdict_on(300.0, incidents, actions)
    assert verdict.suspects[0].part == ELSEWHERE


def test_a_single_innocent_dropout_accuses_nobody() -> None:
    verdict = verdict_on(200.0, [dropout(100.0, 103.0, "hopper")], [])
    assert max(s.probability for s in verdict.suspects) < 0.5


def test_a_healthy_recording_has_neither_suspects_nor_tests() -> None:
    verdict = verdict_on(600.0, [], [])
    assert verdict.suspects == ()
    assert verdict.next_tests == ()


def test_what_only_a_power_cycle_took_away_accuses_nobody() -> None:
    incidents = [dropout(59.9, 66.0, "hopper", *OTHERS, everyone=True)]
    verdict = verdict_on(600.0, incidents, [action(1, 60.4, ActionKind.POWER_CYCLE)])
    assert verdict.suspects == ()


def test_with_two_bad_branches_removing_the_second_and_restoring_the_first_tells() -> None:
    # common practice: two bad at once are rare, and removing the second and restoring the first tells
    incidents, actions, _ = one_at_a_time(BRANCHES, "harness-A")
    incidents[0] = dropout(1.5, 68.0, "hopper")  # it falls as soon as the key is on
    incidents[-1] = dropout(80.9, 110.0, "hopper")
    actions += [unplug(7, 90.0, "harness-A"), action(8, 101.0, ActionKind.POWER_CYCLE)]
    incidents += [dropout(100.6, 108.0, *OTHERS)]
    actions += [plug(9, 130.4, "harness-B"), plug(10, 150.4, "harness-C")]
    incidents += [dropout(150.9, 170.0, "hopper")]
    actions += [unplug(11, 155.0, "harness-C"), action(12, 160.6, ActionKind.POWER_CYCLE)]
    incidents += [dropout(160.2, 167.0, *OTHERS)]
    once = verdict_on(200.0, incidents, actions)
    assert any(step.part in ("harness-A", "harness-C") for step in once.next_tests[0].steps)
    actions += [plug(13, 200.4, "harness-A")]
    incidents += [dropout(200.8, None, "hopper")]
    verdict = verdict_on(205.0, incidents, actions)
    first = given(verdict, "harness-A", "gate-angle")
    second = given(verdict, "harness-C", "fill-level")
    assert first > 0.8
    assert second > 0.6
    assert given(verdict, "harness-B") < 0.1


def test_a_part_is_cleared_only_when_the_waiting_earned_it() -> None:
    # common practice: wait the dwell before a branch is called clear
    incidents = [dropout(t, t + 4.0, "hopper") for t in (30.0, 52.0, 75.0, 96.0)]
    actions = [unplug(1, 103.0, "harness-A")]
    short = verdict_on(108.0, incidents, actions)
    long = verdict_on(900.0, incidents, actions)
    assert not suspect(short, "harness-B").cleared
    assert suspect(long, "harness-B").cleared
    assert not suspect(long, "harness-A").cleared
    assert given(long, "harness-A", "gate-angle") > 0.9
    assert any("quiet" in text for text in suspect(long, "harness-B").why)


def test_a_part_that_was_out_at_a_dropout_did_not_make_it() -> None:
    incidents = [dropout(30.0, 34.0, "hopper"), dropout(70.0, 74.0, "hopper"), dropout(110.0, 114.0, "hopper")]
    verdict = verdict_on(150.0, incidents, [unplug(1, 45.0, "harness-B")])
    assert given(verdict, "harness-B", "tilt-angle") < 0.1
    assert any("could not have made 2 of 3" in text for text in suspect(verdict, "harness-B").why)


def test_a_code_that_accuses_sensors_leaves_the_outputs_alone() -> None:
    # common practice: where the code accuses a sensor supply, outputs need not be touched
    code = FaultCode(
        controller="hopper",
        kind=CodeKind.SPN_FMI,
        code="SPN 3509 FMI 4",
        text="sensor supply below range",
        occurrences=1,
        first_ns=30 * NS,
        last_ns=30 * NS,
        active=False,
        points_at=("sensor",),
    )
    incidents = [dropout(30.0, 34.0, "hopper")]
    plain, hinted = verdict_on(60.0, incidents, []), verdict_on(60.0, incidents, [], codes=(code,))
    assert given(hinted, "gate-angle") > 1.5 * given(plain, "gate-angle")
    assert given(hinted, "tilt-valve") < given(plain, "tilt-valve")
    assert any("SPN 3509 FMI 4 points at it" in text for text in suspect(hinted, "gate-angle").why)


def test_a_code_that_pulling_a_plug_raised_is_no_evidence() -> None:
    # common practice: every unplugged branch sets its own open-circuit codes
    code = FaultCode(
        controller="hopper",
        kind=CodeKind.SPN_FMI,
        code="SPN 3509 FMI 5",
        text="current below normal or open circuit",
        occurrences=1,
        first_ns=51 * NS,
        last_ns=51 * NS,
        active=True,
        points_at=("tilt-angle",),
    )
    incidents, actions = [dropout(30.0, 34.0, "hopper")], [unplug(1, 50.4, "tilt-angle")]
    hinted = verdict_on(60.0, incidents, actions, codes=(code,))
    assert given(hinted, "tilt-angle") == pytest.approx(given(verdict_on(60.0, incidents, actions), "tilt-angle"))


def test_trials_say_what_was_exposed_how_long_and_how_it_ended() -> None:
    incidents, actions, until_s = one_at_a_time(BRANCHES, "harness-B")
    trials = verdict_on(until_s, incidents, actions).trials
    last = trials[-1]
    assert last.controller == "hopper"
    assert last.outcome is Outcome.TROUBLE
    assert set(last.exposed) == {"harness-A", "gate-angle", "harness-B", "tilt-angle"}
    assert last.shown_after_ns is not None
    assert 0 <= last.shown_after_ns < 3 * NS
    quiet = [t for t in trials if t.outcome is Outcome.QUIET and t.exposed == ("harness-A", "gate-angle")]
    assert sum(t.to_ns - t.from_ns for t in quiet) == pytest.approx(10 * NS, rel=0.2)
    assert all(t.shown_after_ns is None for t in quiet)


def test_a_replaced_culprit_that_stays_quiet_is_the_culprit() -> None:
    incidents = [dropout(t, t + 4.0, "hopper") for t in (30.0, 42.0, 50.0, 63.0)]
    actions = [action(1, 70.0, ActionKind.REPLACE, "gate-angle")]
    verdict = verdict_on(250.0, incidents, actions)
    assert verdict.suspects[0].part == "gate-angle"
    assert any("was replaced" in text and "quiet since" in text for text in verdict.suspects[0].why)


def test_the_fault_that_moves_with_the_swapped_part_is_the_parts() -> None:
    # common practice: swap like with like; the fault that moves with the part is the part's
    machine = sweeper(like=True)
    incidents = [dropout(30.0, 34.0, "hopper"), dropout(52.0, 56.0, "hopper"), dropout(110.6, 115.0, "hopper")]
    actions = [unplug(1, 60.0, "harness-B"), unplug(2, 63.0, "harness-C"), unplug(3, 66.0, "harness-D")]
    actions += [action(4, 75.0, ActionKind.SWAP, "gate-angle", "tilt-angle")]
    quiet_after_swap = verdict_on(109.0, incidents[:2], actions, machine)
    actions += [action(5, 110.2, ActionKind.SWAP, "gate-angle", "tilt-angle")]
    back_again = verdict_on(118.0, incidents, actions, machine)
    assert given(back_again, "gate-angle") > given(quiet_after_swap, "gate-angle")
    assert back_again.suspects[0].part == "gate-angle"


def test_without_a_map_the_named_branch_is_found() -> None:
    actions = [unplug(1, 40.0, "blue plug"), plug(2, 60.3, "blue plug"), unplug(3, 64.0, "blue plug")]
    actions += [plug(4, 90.3, "blue plug")]
    incidents = [dropout(20.0, 26.0, "0x31"), dropout(61.0, 70.0, "0x31"), dropout(91.0, 99.0, "0x31")]
    verdict = verdict_on(120.0, incidents, actions, Machine())
    assert verdict.suspects[0].part == "blue plug"
    text = " ".join(verdict.suspects[0].why)
    assert "the dropout came back both times it was restored" in text
    assert "with it out" in text


def test_a_map_of_controllers_alone_gives_what_it_leaves_out_its_share() -> None:
    plain = sweeper()
    machine = Machine(controllers=plain.controllers)
    verdict = verdict_on(300.0, [dropout(t, t + 4.0, "hopper") for t in (30.0, 90.0, 150.0, 200.0)], [], machine)
    assert [s.part for s in verdict.suspects[:2]] == [ELSEWHERE, "hopper"]
    assert 0.1 < suspect(verdict, "hopper").probability < 0.5  # branches fail far more often (common practice)
    assert any("no map says what hangs" in text for text in verdict.suspects[0].why)


def test_without_a_map_the_branches_that_the_journal_names_are_suspects_beside_what_it_does_not_name() -> None:
    actions = [unplug(1, 60.0, "blue plug")]
    verdict = verdict_on(70.0, [dropout(t, t + 4.0, "hopper") for t in (30.0, 45.0)], actions, Machine())
    assert given(verdict, "blue plug") > 0.1
    assert given(verdict, ELSEWHERE) > 0.2
    assert given(verdict, "hopper") > 0.01


def test_a_recording_in_which_no_controller_is_known_gives_no_suspect() -> None:
    verdict = verdict_on(70.0, [], [], Machine())
    assert (verdict.suspects, verdict.trials, verdict.next_tests) == ((), (), ())


def test_without_a_map_nobody_is_sent_to_replace_a_controller_that_fell() -> None:
    verdict = verdict_on(300.0, [dropout(t, t + 4.0, "hopper") for t in (30.0, 90.0, 150.0)], [], Machine())
    assert all(step.action is not ActionKind.REPLACE for test in verdict.next_tests for step in test.steps)


def falls_and_returns(back_s: float, *, latches: bool | None = None) -> IsolationVerdict:
    """The hopper falls 7 s before it is back; harness A comes out at 40 s, harness B at 50 s."""
    actions = [unplug(1, 40.0, "harness-A"), unplug(2, 50.0, "harness-B")]
    return verdict_on(back_s + 10.0, [dropout(back_s - 7.0, back_s, "hopper")], actions, sweeper(latches=latches))


def test_a_controller_that_comes_back_just_after_a_part_came_out_speaks_for_that_part() -> None:
    # common practice: what the removal heals was the cause
    after_a, after_b = falls_and_returns(43.0), falls_and_returns(53.0)
    assert given(after_a, "harness-A") > 2.0 * given(after_a, "harness-B")
    assert given(after_b, "harness-B") > 2.0 * given(after_b, "harness-A")


def test_one_that_latches_and_comes_back_by_itself_was_not_troubled_by_a_branch() -> None:
    unknown, latching = falls_and_returns(43.0), falls_and_returns(43.0, latches=True)
    assert given(latching, *BRANCHES) < 0.9 * given(unknown, *BRANCHES)
    assert given(latching, ELSEWHERE, "fuse-3") > 1.5 * given(unknown, ELSEWHERE, "fuse-3")


def test_a_controller_that_stays_away_until_its_power_is_cycled_did_not_restart_by_itself() -> None:
    # common practice: a latched fault clears with the power; a restart of its own needs nobody
    cycled = [action(1, 80.4, ActionKind.POWER_CYCLE)]
    stayed = verdict_on(120.0, [dropout(30.0, 86.0, "hopper"), dropout(80.1, 86.0, *OTHERS)], cycled)
    restarted = verdict_on(120.0, [dropout(30.0, 33.0, "hopper"), dropout(80.1, 86.0, "hopper", *OTHERS)], cycled)
    assert given(stayed, ELSEWHERE) < 0.5 * given(restarted, ELSEWHERE)


def dead_at_first(first_s: float | None, actions: Sequence[Action], until_s: float) -> IsolationVerdict:
    """The hopper is off the bus as the record begins, all others are on it."""
    session = HandRecord(sweeper(), start_ns=0)
    session.away("hopper", 0, None if first_s is None else round(first_s * NS))
    for done in actions:
        session.act(done)
    return session.verdict(round(until_s * NS))


def test_a_controller_that_never_came_with_power_accuses_itself_and_what_hangs_on_it() -> None:
    verdict = dead_at_first(None, [], 60.0)
    assert given(verdict, "hopper") > 4.0 * given(verdict, "engine")
    assert given(verdict, *BRANCHES, *ON_IT.values(), "hopper") > 0.5
    assert any("was off the bus when the record began" in text for text in suspect(verdict, "hopper").why)


def test_one_that_does_not_start_with_all_branches_off_is_itself_or_its_supply() -> None:
    off = [unplug(k, 20.0 + 3 * k, branch) for k, branch in enumerate(BRANCHES, start=1)]
    actions = [*off, action(5, 40.0, ActionKind.POWER_CYCLE)]
    verdict = dead_at_first(None, actions, 90.0)
    assert verdict.suspects[0].part == "hopper"  # common practice: then it is not a branch
    twice = dead_at_first(None, [*actions, action(6, 70.0, ActionKind.POWER_CYCLE)], 110.0)
    assert given(twice, "hopper", "fuse-3", "rear-trunk", ELSEWHERE) > 0.9
    assert any("did not come back after action 5" in text for text in suspect(verdict, "hopper").why)


def test_one_that_comes_as_soon_as_a_branch_is_out_is_troubled_by_that_branch() -> None:
    verdict = dead_at_first(32.5, [unplug(1, 30.3, "harness-B")], 60.0)
    assert given(verdict, "harness-B", "tilt-angle") > 0.8


def test_a_controller_that_wakes_up_with_nobody_near_is_no_failed_start() -> None:
    session = HandRecord(sweeper(), start_ns=0)
    session.away("hopper", 0, 50 * NS)
    assert session.findings(90 * NS).evidence.starts.action == ()


def test_one_start_after_another_that_fails_does_not_make_two_faults_out_of_one() -> None:
    """Where the controller alone would be enough, a fuse beside it makes a failed start no surer."""
    cycles = [action(n, 30.0 * n, ActionKind.POWER_CYCLE) for n in range(1, 9)]
    alone = replace(sweeper(), controllers=MappingProxyType(_on_a_fuse_of_its_own()))
    session = HandRecord(alone, start_ns=0)
    session.away("hopper", 0, None)
    for done in [unplug(20 + k, 5.0 + 3 * k, branch) for k, branch in enumerate(BRANCHES)] + cycles:
        session.act(done)
    verdict = session.verdict(280 * NS)
    assert {verdict.suspects[0].part, verdict.suspects[1].part} == {"hopper", "fuse-2"}
    assert given(verdict, "hopper", "fuse-2") < 1.05


def _on_a_fuse_of_its_own() -> dict[str, Controller]:
    feeds = {"hopper": "fuse-2", "broom": "fuse-1"}
    return {name: replace(one, feed=feeds.get(name, one.feed)) for name, one in sweeper().controllers.items()}
