"""Codes inside the settling time: what stands against a controller, and what it says while it starts."""

from functools import cache
from pathlib import Path

from busdoc.analysis.resync import Resync, resync
from busdoc.resync_check.records import ControllerReturn, ReturnFault, ReturnVerdict

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"


@cache
def found(symptom: str | None = None) -> Resync:
    return resync(
        [SWEEPER / "capture.log.gz"],
        databases=[ROOT / "dbc_examples" / "street_sweeper.dbc"],
        machine_file=SWEEPER / "machine.toml",
        journal_file=SWEEPER / "actions.csv",
        symptom=symptom,
    )


def hoppers(symptom: str | None = None) -> list[ControllerReturn]:
    return [one for power_up in found(symptom).power_ups for one in power_up.controllers if one.name == "hopper"]


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


def test_the_complaint_that_shows_again_fails_its_controller_and_no_start_without_it() -> None:
    """What was asked for is held like a code: the hopper fell silent in it, which is no sign that it is gone."""
    asked = "HopperStatus.State == FAULT"
    returns = hoppers(asked)
    assert [one.symptoms for one in returns] == [(asked,), *[()] * (len(returns) - 1)]
    assert returns[0].faults == (*hoppers()[0].faults, ReturnFault.SYMPTOM)
    assert f"shows still, or again: {asked}" in returns[0].reasons
    assert [one.faults for one in returns[1:]] == [one.faults for one in hoppers()[1:]]


def test_a_complaint_that_shows_only_while_its_controller_starts_is_no_fault() -> None:
    assert not any(one.symptoms for one in hoppers("HopperStatus.State == RETRY")[1:])


def test_what_shows_on_the_bus_fails_the_power_up_and_accuses_no_controller() -> None:
    whole = found("bus:load > 0.1")
    assert {one.faults for one in whole.power_ups} == {(ReturnFault.SYMPTOM,)}
    assert all("load" in one.reasons[0] for one in whole.power_ups)
    assert not any(one.symptoms for power_up in whole.power_ups for one in power_up.controllers)
    assert whole.verdict is ReturnVerdict.FAIL
