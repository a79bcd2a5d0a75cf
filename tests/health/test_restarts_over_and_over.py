"""A controller that resets itself over and over: every restart with both edges, none invented, on made-up machines.

`python -m benchmarks.restart_truth` does the same for as many machines as asked for.
"""

import pytest

from busdoc.health.controller import ControllerState
from busdoc.health.incident import IncidentKind
from tests.truth.by_chance.resets import Announces, reset_machine
from tests.truth.raw_frames import contradictions
from tests.truth.restarts import analysed, told_restarts

SEEDS = range(3_000, 3_020)
ISOLATED = range(3_100, 3_106)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_restart_that_is_announced_is_told_with_both_edges_and_none_is_invented(seed: int) -> None:
    one = reset_machine(seed)
    result = analysed(one)
    told = told_restarts(one, result)
    assert contradictions(one.block, result.health) == []
    assert told.invented == 0
    if one.announces is Announces.NOTHING:
        return  # then only what is longer than the deadlines can be known
    assert told.found >= 0.98 * told.due - 1e-9 or told.found >= told.due - 1
    (spell,) = [incident for incident in result.incidents if incident.kind is IncidentKind.RESTARTING]
    assert spell.controllers == (one.name,)
    assert len(spell.losses) >= 0.9 * told.due


@pytest.mark.parametrize("seed", ISOLATED)
def test_the_branch_that_pulls_it_down_comes_first_and_no_sound_part_is_accused(seed: int) -> None:
    one = reset_machine(seed, isolated=True)
    result = analysed(one)
    assert contradictions(one.block, result.health) == []
    assert told_restarts(one, result).invented == 0
    assert result.isolation is not None
    assert result.isolation.suspects[0].part == one.faulty
    assert [s.part for s in result.isolation.suspects if s.probability >= 0.8] == [one.faulty]


def test_a_controller_that_restarts_to_the_end_is_in_a_state_of_its_own() -> None:
    one = reset_machine(3_000)
    states = {controller.name: controller.state for controller in analysed(one).health.controllers}
    assert states.pop(one.name) is ControllerState.RESTARTING
    assert set(states.values()) == {ControllerState.STEADY}


def test_nothing_that_follows_from_a_restart_is_offered_as_what_comes_before() -> None:
    for seed in (3_000, 3_003):
        looked_into = analysed(reset_machine(seed)).intermittent
        assert looked_into is None or looked_into.findings == ()
