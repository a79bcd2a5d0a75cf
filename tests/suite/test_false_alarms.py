"""Healthy machines on loaded buses: nothing is to be reported.

`benchmarks/false_alarms.py` runs the same for more than twenty hours of traffic.
"""

import pytest

from busdoc.health.presence.watch import HealthWatch
from busdoc.simulation.by_chance.random_traffic import healthy_recording
from tests.truth.alarms import alarms


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("with_map", [True, False])
def test_a_healthy_machine_raises_no_alarm(seed: int, with_map: bool) -> None:
    recording, streams = healthy_recording(seed, length_s=300.0)
    machine = recording.world.machine
    watch = HealthWatch([c.spec for c in machine.controllers.values()] if with_map else [], complete=with_map)
    for block in recording.blocks(streams, chunk_s=60.0):
        watch.feed(block)
    assert alarms(watch.close()) == []


def test_a_lost_controller_on_the_same_traffic_is_an_alarm() -> None:
    recording, streams = healthy_recording(0, length_s=60.0)
    silent = streams[0].controller
    watch = HealthWatch([c.spec for c in recording.world.machine.controllers.values()], complete=True)
    for block in recording.blocks([s for s in streams if s.controller != silent]):
        watch.feed(block)
    assert watch.close().controllers
    assert any(c.name == silent and c.state == "never seen" for c in watch.close().controllers)
