"""Where to begin on an untouched machine."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from busdoc.actions.action import ActionKind
from busdoc.isolation.fresh_start import Way, plan_fresh_start
from busdoc.simulation.by_chance.random_machine import random_machine
from tests.isolation.records import BRANCHES, sweeper


def test_hands_are_on_plugs_only_between_power_off_and_power_on() -> None:
    plan = plan_fresh_start(sweeper(), "hopper")
    assert plan.steps[0].action is ActionKind.POWER_OFF
    assert plan.steps[-1].action is ActionKind.POWER_ON
    assert {step.action for step in plan.steps[1:-1]} == {ActionKind.UNPLUG}
    assert plan.cautions == sweeper().cautions
    assert set(plan.order) == set(BRANCHES)


def test_many_like_branches_are_halved() -> None:
    machine = random_machine(np.random.default_rng(1), n_branches=16)
    plan = plan_fresh_start(machine, next(iter(machine.controllers)))
    assert plan.way is Way.HALVES
    assert len(plan.steps) == 8 + 2
    assert plan.time_s < plan.other_s


def test_a_branch_that_stands_out_is_restored_first_and_one_at_a_time() -> None:
    machine = sweeper()
    parts = {**machine.parts, "harness-C": replace(machine.parts["harness-C"], prior=0.9)}
    plan = plan_fresh_start(replace(machine, parts=MappingProxyType(parts)), "hopper")
    assert plan.way is Way.ONE_AT_A_TIME
    assert plan.order[0] == "harness-C"


def test_a_branch_that_is_hard_to_reach_comes_last() -> None:
    machine = sweeper()
    parts = {**machine.parts, "harness-B": replace(machine.parts["harness-B"], effort_s=600.0)}
    assert plan_fresh_start(replace(machine, parts=MappingProxyType(parts)), "hopper").order[-1] == "harness-B"


def test_a_controller_that_the_map_does_not_have_is_refused() -> None:
    with pytest.raises(KeyError):
        plan_fresh_start(sweeper(), "winch")
