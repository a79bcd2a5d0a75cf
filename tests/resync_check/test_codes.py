"""Codes inside the settling time: what stands against a controller, and what it says while it starts."""

from pathlib import Path

from busdoc.analysis.resync import resync
from busdoc.resync_check.records import ControllerReturn, ReturnFault, ReturnVerdict

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"


def hoppers() -> list[ControllerReturn]:
    found = resync(
        [SWEEPER / "capture.log.gz"],
        databases=[ROOT / "dbc_examples" / "street_sweeper.dbc"],
        machine_file=SWEEPER / "machine.toml",
        journal_file=SWEEPER / "actions.csv",
    )
    return [one for power_up in found.power_ups for one in power_up.controllers if one.name == "hopper"]


def test_a_fault_that_stands_at_the_end_of_settling_fails() -> None:
    first = hoppers()[0]
    assert ReturnFault.CODE in first.faults
    assert first.codes == ("HopperStatus.State = FAULT",)


def test_a_retry_while_starting_that_is_taken_back_is_a_note() -> None:
    last = hoppers()[-1]
    assert last.verdict is ReturnVerdict.PASS
    assert last.codes == ()
    assert last.passed_codes == ("HopperStatus.Retries counted up", "HopperStatus.State = RETRY")
    assert [note for note in last.notes if "HopperStatus.State = RETRY, and took it back" in note]


def test_a_fault_from_before_the_power_cycle_does_not_stand_against_the_next_start() -> None:
    assert not [one for one in hoppers()[1:] if "HopperStatus.State = FAULT" in (*one.codes, *one.passed_codes)]
