"""A controller that resets itself over and over: every restart with both edges, none invented, on made-up machines.

`python -m benchmarks.restart_truth` does the same for as many machines as asked for.
"""

import numpy as np
import pytest

from busdoc.health.controller import ControllerState
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.presence.watch import HealthWatch
from busdoc.machine.machine_map import specs
from tests.health.made_traffic import health_of
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


@pytest.mark.parametrize("seed", [3_001, 3_004])
def test_live_it_is_told_as_in_the_recording(seed: int) -> None:
    one = reset_machine(seed)
    known = specs(one.machine)
    live = HealthWatch(known, complete=bool(known))
    tick_ns, last_ns = 700_000_000, int(one.block.t_ns[-1])
    edges_ns = np.arange(one.block.t_ns[0], last_ns + tick_ns, tick_ns)
    rows = np.searchsorted(one.block.t_ns, edges_ns).tolist()
    for at_ns, first, after in zip(edges_ns[1:].tolist(), rows, rows[1:], strict=False):
        live.feed(one.block.slice(first, after))
        if at_ns // tick_ns % 8 == 0:
            live.so_far(at_ns)
    live.feed(one.block.slice(rows[-1], len(one.block)))
    recorded = health_of(one.block, known, complete=bool(known))
    seen = live.so_far(last_ns)
    assert [_edges(incident) for incident in seen.incidents] == [_edges(incident) for incident in recorded.incidents]
    assert [each.state for each in seen.controllers] == [each.state for each in recorded.controllers]
    assert live.close().incidents == recorded.incidents


def _edges(incident: Incident) -> tuple[object, ...]:
    return incident.kind, incident.controllers, incident.last_seen_ns, incident.back_ns
