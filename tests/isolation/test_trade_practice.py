"""Procedures of the trade, worked through on a simulated machine: the verdict must come to what the trade concludes."""

import numpy as np
import pytest

from busdoc.actions.action import ActionKind
from busdoc.isolation.verdict import IsolationVerdict, Outcome
from busdoc.simulation.technician import Technician
from busdoc.simulation.timeline import absences
from busdoc.simulation.world import Fault, World
from tests.truth.hand_records import BRANCHES, NS, ON_IT, HandRecord, sweeper
from tests.truth.isolation_sessions import START_NS, observe

LATCHED = Fault(part="tilt-angle", latches=True, delay_s=0.4, from_s=20.0)


def work_on(*faults: Fault, latches: bool | None = None, seed: int = 5) -> Technician:
    """A technician before the sweeper, half a minute into the record."""
    world = World(sweeper(latches=latches), faults, np.random.default_rng(seed), boot_s=3.0, off_s=0.1)
    technician = Technician(world, np.random.default_rng(seed + 1), start_ns=START_NS)
    technician.watch(30.0)
    return technician


def verdict_of(technician: Technician) -> IsolationVerdict:
    world = technician.world
    session = HandRecord(world.machine, start_ns=START_NS)
    incidents, _, _ = observe(absences(world.events, world.now_s), world.machine, np.random.default_rng(7))
    for incident in incidents:
        session.saw(incident)
    for done in technician.actions:
        session.act(done)
    return session.verdict(START_NS + round(world.now_s * NS))


def given(verdict: IsolationVerdict, *parts: str) -> float:
    return sum(s.probability for s in verdict.suspects if s.part in parts)


def test_unplugging_all_branches_and_cycling_power_clears_a_latched_fault_and_points_to_the_branches() -> None:
    # common practice: pull all suspect branches, cycle the power; steady now means that the fault is on a branch
    technician = work_on(LATCHED)
    for branch in BRANCHES:
        technician.do(ActionKind.UNPLUG, branch)
    assert not technician.world.healthy("hopper")  # latched: the branches alone do not bring it back
    technician.power_cycle()
    technician.watch(60.0)
    assert technician.world.healthy("hopper")
    assert given(verdict_of(technician), *BRANCHES, *ON_IT.values()) > 0.85


def test_a_controller_that_falls_with_all_branches_off_has_its_fault_elsewhere_than_on_a_branch() -> None:
    # common practice: if it is not steady then, look at its supply, its bus wiring, or the controller itself
    technician = work_on(Fault(part="hopper", rate_hz=1 / 8, holds_s=4.0))
    for branch in BRANCHES:
        technician.do(ActionKind.UNPLUG, branch)
    technician.watch(60.0)
    verdict = verdict_of(technician)
    assert verdict.suspects[0].part == "hopper"
    assert given(verdict, *BRANCHES, *ON_IT.values()) < 0.15


@pytest.mark.parametrize("order", [BRANCHES, tuple(reversed(BRANCHES)), ("harness-B", "harness-A")])
def test_restoring_one_at_a_time_in_any_order_names_the_branch(order: tuple[str, ...]) -> None:
    # common practice: a hard short shows within seconds of plugging the bad branch back, whatever the order
    technician = work_on(LATCHED)
    technician.restore_one_at_a_time("hopper", order, dwell_s=10.0)
    verdict = verdict_of(technician)
    assert {s.part for s in verdict.suspects[:2]} == {"harness-B", "tilt-angle"}
    troubled = [t for t in verdict.trials if t.outcome is Outcome.TROUBLE]
    assert troubled[-1].shown_after_ns is not None
    assert troubled[-1].shown_after_ns < 3 * NS


def test_that_a_controller_is_back_in_step_needs_no_walk_to_the_display() -> None:
    # common practice: the bus itself proves it; a trial counts as quiet with no press that says so
    technician = work_on(LATCHED)
    technician.do(ActionKind.UNPLUG, "harness-B")
    technician.power_cycle()
    technician.watch(120.0)
    assert all(done.kind is not ActionKind.MARK for done in technician.actions)
    quiet = [t for t in verdict_of(technician).trials if t.controller == "hopper" and t.outcome is Outcome.QUIET]
    assert max(t.to_ns - t.from_ns for t in quiet) > 100 * NS


def test_a_part_that_a_short_holds_its_controller_down_with_is_named_by_its_removal_alone() -> None:
    # common practice: what the removal heals was the cause; how long after is like a start
    technician = work_on(Fault(part="harness-C", held=True, delay_s=0.4, from_s=20.0))
    technician.watch(20.0)
    for branch in ("harness-A", "harness-B"):
        technician.do(ActionKind.UNPLUG, branch)
        technician.watch(15.0)
    technician.do(ActionKind.UNPLUG, "harness-C")
    technician.watch(15.0)
    assert technician.world.healthy("hopper")
    verdict = verdict_of(technician)
    assert {s.part for s in verdict.suspects[:2]} == {"harness-C", "fill-level"}
    assert given(verdict, "harness-C", "fill-level") > 0.8


def test_a_swap_of_like_parts_tells_the_sensor_from_its_harness() -> None:
    # common practice: the fault that moves with the part is the part's, the one that stays is the place's
    technician = work_on(Fault(part="gate-angle", delay_s=0.4, holds_s=4.0, from_s=20.0))
    technician.do(ActionKind.UNPLUG, "harness-B")
    technician.watch(20.0)
    technician.do(ActionKind.SWAP, "gate-angle", "tilt-angle")
    technician.watch(40.0)
    technician.do(ActionKind.PLUG, "harness-B")
    technician.watch(20.0)
    verdict = verdict_of(technician)
    assert verdict.suspects[0].part == "gate-angle"
    assert given(verdict, "harness-A") < 0.1
