"""Healthy machines on loaded buses: nothing is to be reported.

`benchmarks/false_alarms.py` runs the same for more than twenty hours of traffic.
"""

import pytest

from busdoc.health.presence.watch import HealthWatch
from tests.truth.alarms import alarms
from tests.truth.by_chance.random_traffic import healthy_recording


@pytest.mark.parametrize("seed", range(6))
def test_a_healthy_machine_raises_no_alarm_with_its_map_and_with_nothing(seed: int) -> None:
    recording, streams = healthy_recording(seed, length_s=300.0)
    specs = [controller.spec for controller in recording.world.machine.controllers.values()]
    watches = {"map": HealthWatch(specs, complete=True), "nothing": HealthWatch([], complete=False)}
    for block in recording.blocks(streams, chunk_s=60.0):
        for watch in watches.values():
            watch.feed(block)
    assert {how: alarms(watch.close()) for how, watch in watches.items()} == {"map": [], "nothing": []}


def test_a_lost_controller_on_the_same_traffic_is_an_alarm() -> None:
    recording, streams = healthy_recording(0, length_s=60.0)
    silent = streams[0].controller
    watch = HealthWatch([c.spec for c in recording.world.machine.controllers.values()], complete=True)
    for block in recording.blocks([s for s in streams if s.controller != silent]):
        watch.feed(block)
    assert watch.close().controllers
    assert any(c.name == silent and c.state == "never seen" for c in watch.close().controllers)
