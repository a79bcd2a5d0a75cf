"""Signals of a real tractor (recorded by others, see `tests/data/real`), by what SAE J1939-71 tabulates."""

from pathlib import Path

import pytest

from busdoc.capture.source import open_capture
from busdoc.decode.database.database import Database
from busdoc.decode.signals.summary import SignalSummary
from busdoc.decode.signals.watch import SignalWatch

RECORDING = Path(__file__).parents[1] / "data" / "real" / "tractor-key-on-crank-key-off.log.gz"


@pytest.fixture(scope="module")
def watch(j1939: Database) -> SignalWatch:
    watch = SignalWatch(j1939)
    for block in open_capture([RECORDING]).blocks():
        watch.feed(block)
    return watch


def summary(watch: SignalWatch, name: str) -> SignalSummary:
    (found,) = (each for each in watch.summaries() if each.name == name)
    return found


def test_the_supply_sags_at_the_crank_and_charges_after_it(watch: SignalWatch) -> None:
    supply = summary(watch, "VEP1.BatteryPotential")
    assert supply.minimum is not None
    assert supply.maximum is not None
    assert 6.0 < supply.minimum < 10.0  # common practice: a starter pulls a 12 V system down to about 9 V
    assert 13.5 < supply.maximum < 15.0  # and an alternator holds it at about 14 V
    assert supply.valid == supply.frames == 29


def test_the_engine_idles_after_the_crank(watch: SignalWatch) -> None:
    speed = summary(watch, "EEC1.EngineSpeed")
    assert speed.minimum == 0.0
    assert speed.maximum is not None
    assert 900.0 < speed.maximum < 1100.0


def test_what_the_tractor_does_not_measure_has_no_value(watch: SignalWatch) -> None:
    for name in ("ET1.OilTemperature", "VEP1.NetCurrent", "VEP1.ChargingPotential", "CCVS.ParkingBrake"):
        found = summary(watch, name)
        assert found.not_available == found.frames > 0
        assert found.minimum is found.mean is found.last_value is None


def test_a_state_in_the_last_but_one_place_of_4_bits_is_a_state(watch: SignalWatch) -> None:
    # SPN 899, engine torque mode (from memory of SAE J1939-71): 1110 is 'other', 1111 alone 'not available'
    mode = summary(watch, "EEC1.TorqueMode")
    assert (mode.maximum, mode.not_available, mode.error) == (14.0, 0, 0)
