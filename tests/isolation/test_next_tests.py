"""What to do next: proposals that tell most for their effort, and that nobody is hurt by."""

from itertools import pairwise

import numpy as np
import pytest

from busdoc.actions.action import ActionKind
from busdoc.isolation.proposals.gain import fewest_tests
from tests.truth.fault_finding import dwell_at_first_s, find_by_proposals, find_one_at_a_time
from tests.truth.hand_records import NS, HandRecord, action, dropout, sweeper, unplug

POWER = (ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE)


def complaint(*, unsafe: tuple[str, ...] = (), latches: bool | None = None, like: bool = False) -> HandRecord:
    session = HandRecord(sweeper(unsafe=unsafe, latches=latches, like=like), start_ns=0)
    for t in (30.0, 36.0, 42.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    return session


def test_with_even_suspicion_about_half_of_the_branches_come_off() -> None:
    # common practice: half-split where branches are alike and few tests are wanted
    best = complaint().verdict(50 * NS).next_tests[0]
    assert [step.action for step in best.steps] == [ActionKind.UNPLUG] * 2


def test_a_fault_that_shows_every_few_seconds_is_not_watched_for_an_hour() -> None:
    best = complaint().verdict(50 * NS).next_tests[0]
    assert 10 * NS <= best.watch_ns < 120 * NS
    assert best.clear_ns == best.watch_ns


def test_one_branch_that_stands_out_is_tested_by_itself() -> None:
    # common practice: one at a time where one stands out
    session = complaint()
    for k, branch in enumerate(("harness-B", "harness-C", "harness-D"), start=1):
        session.act(unplug(k, 50.0 + 3 * k, branch))
    session.saw(dropout(64.0, 69.0, "hopper"))
    session.saw(dropout(72.0, 77.0, "hopper"))
    best = session.verdict(80 * NS).next_tests[0]
    assert {step.part for step in best.steps} <= {"harness-A", "gate-angle"}


def test_a_part_that_is_unsafe_live_is_moved_only_with_the_power_off_and_with_its_cautions() -> None:
    # common practice: power off before hands are on what can be hurt or start by itself
    verdict = complaint(unsafe=("gate-angle", "tilt-angle", "fill-level", "tilt-valve")).verdict(50 * NS)
    assert verdict.next_tests
    for test in verdict.next_tests:
        on = True
        for step in test.steps:
            if step.action is ActionKind.POWER_OFF:
                on = False
            elif step.action is ActionKind.POWER_ON:
                on = True
            elif step.action in (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.REPLACE):
                assert not on
        assert on
        if test.steps:
            assert any("Prop the hopper" in caution for caution in test.cautions)
            assert any("maker's manual" in caution for caution in test.cautions)


def test_what_the_map_does_not_allow_live_is_moved_with_the_power_off_and_in_the_order_of_the_connectors() -> None:
    # common practice: power off, unplug, power on; live only where the maker's manual allows it
    session = HandRecord(sweeper(live=False), start_ns=0)
    for t in (30.0, 36.0, 42.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    tests = session.verdict(50 * NS).next_tests
    assert tests
    for test in tests:
        kinds = [step.action for step in test.steps]
        assert ActionKind.WIGGLE not in kinds  # which nobody can do with the power off
        if kinds:
            assert (kinds[0], kinds[-1]) == (ActionKind.POWER_OFF, ActionKind.POWER_ON)
        pulled = [step.part for step in test.steps if step.action is ActionKind.UNPLUG]
        assert pulled == sorted(pulled, key=lambda part: part or "")


def test_a_latched_controller_gets_its_power_cycled_after_the_branches_are_off() -> None:
    # common practice: a latched controller stays in fault until its power is cycled
    session = HandRecord(sweeper(latches=True), start_ns=0)
    session.saw(dropout(30.0, None, "hopper"))
    best = session.verdict(50 * NS).next_tests[0]
    assert best.steps[-1].action in (ActionKind.POWER_CYCLE, ActionKind.POWER_ON)
    assert best.steps[0].action in (ActionKind.UNPLUG, ActionKind.POWER_OFF)


def test_a_controller_that_comes_back_by_itself_needs_no_power_cycle() -> None:
    for test in complaint().verdict(50 * NS).next_tests:
        assert all(step.action not in POWER for step in test.steps)


def test_parts_with_different_plugs_are_never_swapped() -> None:
    # common practice: plugs, ranges and addressing must match
    session = complaint(like=True)
    swaps = [
        (step.part, step.into)
        for test in session.verdict(50 * NS).next_tests
        for step in test.steps
        if step.action is ActionKind.SWAP
    ]
    assert all({one, other} == {"harness-A", "harness-B"} for one, other in swaps)
    unlike = complaint().verdict(50 * NS)
    assert all(step.action is not ActionKind.SWAP for test in unlike.next_tests for step in test.steps)


def test_every_proposal_says_what_its_outcomes_would_mean() -> None:
    for test in complaint().verdict(50 * NS).next_tests:
        assert test.tells.startswith("Trouble: ")
        assert "Quiet: " in test.tells
        assert test.gain_bits > 0.0
        assert test.effort_s > 0.0


def test_proposals_come_best_first() -> None:
    tests = complaint().verdict(50 * NS).next_tests
    worth = [test.gain_bits / test.effort_s for test in tests]
    assert all(a >= b for a, b in pairwise(worth))


def test_a_fresh_start_without_any_trouble_yet_has_a_proposal_from_the_priors() -> None:
    session = HandRecord(sweeper(), start_ns=0)
    verdict = session.verdict(20 * NS)
    assert verdict.suspects
    assert verdict.next_tests


def test_a_proven_sensor_leaves_nothing_worth_testing_on_other_branches() -> None:
    session = complaint()
    session.act(unplug(1, 50.4, "gate-angle"))
    session.act(action(2, 120.3, ActionKind.PLUG, "gate-angle"))
    for t in (120.9, 127.0, 134.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    verdict = session.verdict(141 * NS)
    assert verdict.suspects[0].part == "gate-angle"
    assert verdict.suspects[0].probability > 0.9


@pytest.mark.parametrize(("n", "machines"), [(4, 24), (8, 20)])
def test_proposals_find_a_hard_fault_in_few_tests_and_less_time_than_one_at_a_time(n: int, machines: int) -> None:
    seeds = range(40_000, 40_000 + machines)
    ours = [find_by_proposals(n, seed, np.inf) for seed in seeds]
    dwells_s = [dwell_at_first_s(n, seed, np.inf) for seed in seeds]  # as sure of a quiet as we are
    plain = [find_one_at_a_time(n, seed, np.inf, dwell_s) for seed, dwell_s in zip(seeds, dwells_s, strict=True)]
    assert all(cost.right for cost in ours)
    assert np.mean([cost.tests for cost in ours]) <= fewest_tests(n) + 1
    assert np.mean([cost.time_s for cost in ours]) < np.mean([cost.time_s for cost in plain])


def test_no_outcome_is_said_to_be_certain_or_impossible() -> None:
    session = complaint()
    session.act(unplug(1, 50.4, "gate-angle"))
    session.act(action(2, 120.3, ActionKind.PLUG, "gate-angle"))
    for t in (120.9, 127.0, 134.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    verdicts = (complaint().verdict(50 * NS), session.verdict(141 * NS))
    for test in (test for verdict in verdicts for test in verdict.next_tests):
        assert "100 %" not in test.tells
        assert " 0 %" not in test.tells
        assert "%)" in test.tells


def test_with_one_fault_settled_the_outcomes_speak_of_the_other() -> None:
    session = HandRecord(sweeper(), start_ns=0)
    for k in range(6):
        session.saw(dropout(30.0 + 40.0 * k, 34.0 + 40.0 * k, "engine", "display"))
        session.saw(dropout(50.0 + 40.0 * k, 54.0 + 40.0 * k, "hopper"))
    verdict = session.verdict(300 * NS)
    assert verdict.suspects[0].part == "fuse-1"
    proof, *others = verdict.next_tests
    assert proof.proof
    assert others
    assert all("fuse-1" not in test.tells for test in others)


def test_after_the_one_culprit_was_found_its_replacement_is_said_to_prove_it() -> None:
    session = HandRecord(sweeper(), start_ns=0)
    for k in range(6):
        session.saw(dropout(30.0 + 40.0 * k, 34.0 + 40.0 * k, "hopper", "fan", "lift"))
    replaced = [t for t in session.verdict(300 * NS).next_tests if t.steps and t.steps[1].action is ActionKind.REPLACE]
    assert replaced
    assert replaced[0].proof
    assert "proves the repair (95 %)" in replaced[0].tells
    assert len(session.verdict(300 * NS).next_tests) == 1
