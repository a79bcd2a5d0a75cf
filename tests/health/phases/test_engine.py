"""The engine's state from its speed; the bytes are those of SAE J1939-71 (EEC1, SPN 190) and NMEA 2000 (127488)."""

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.decode.protocols.protocol_frames import sieved
from busdoc.health.phases.engine import Engine, EngineState, EngineWatch
from tests.health.made_traffic import S, merged
from tests.health.phases.made_engine import speed


def engine_of(*blocks: FrameBlock) -> Engine:
    watch = EngineWatch()
    for block in blocks:
        watch.feed(*sieved(block))
    return watch.engine()


STARTED = [0.0] * 10 + [180.0] * 10 + [900.0] * 50 + [300.0] * 5 + [0.0] * 10


@pytest.mark.parametrize("nmea", [False, True])
def test_a_start_and_a_stop_are_told_from_the_speed(nmea: bool) -> None:
    engine = engine_of(merged(speed(STARTED, nmea=nmea)))
    assert engine.states == [EngineState.STANDS, EngineState.TURNS, EngineState.RUNS, EngineState.TURNS, 0]
    assert engine.starts() == [(S, 2 * S)]
    assert engine.stops() == [7 * S]
    assert engine.at(3 * S) is EngineState.RUNS
    assert engine.at(-1) is None


def test_an_engine_that_only_turned_was_not_started_and_a_spike_of_its_speed_is_no_run() -> None:
    tried = engine_of(merged(speed([0.0] * 5 + [180.0] * 5 + [450.0] + [180.0] * 5 + [0.0] * 5)))
    assert tried.starts() == []
    assert EngineState.RUNS not in tried.states


def test_no_speed_is_no_engine() -> None:
    assert not engine_of(merged(speed([8191.875] * 20)))  # 0xFFFF: not available
    assert not engine_of()


def test_where_the_traffic_is_cut_changes_nothing() -> None:
    block = merged(speed(STARTED))
    rows = np.arange(len(block))
    cut = engine_of(*(block.take(rows[k : k + 7]) for k in range(0, len(block), 7)))
    whole = engine_of(block)
    assert (cut.t_ns, cut.states) == (whole.t_ns, whole.states)
