"""The watch after a repair: what counts as quiet, what ends it, and what it says."""

import io
import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import busdoc.report.json
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_log
from busdoc.capture.frames import FrameBlock
from busdoc.capture.playback import Playback
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main
from busdoc.isolation.proposals.cure import CureOutcome, CureState, FaultRate
from busdoc.live.resync.cure_watch import CureWatch
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.report.words.cure import cure_text
from tests.health.made_traffic import S, Sent, at, merged
from tests.health.sweeper import MAP, Sweeper

SCHEMA = Path(busdoc.report.json.__file__).parent / "schema" / "busdoc-verdict-1.json"
RATE = FaultRate(n=10, watched_s=200.0, fault="hopper")
"""One every 20 s: 69.9 s of quiet for 95 %, by (200 / (200 + t))^10 = 0.05."""


def written(folder: Path, block: FrameBlock) -> Path:
    channels = ChannelTable()
    channels.number("can0")
    write_log(folder / "after.log", [block], channels)
    (folder / "sweeper.toml").write_text(MAP, encoding="utf-8")
    return folder / "after.log"


def watched(
    folder: Path,
    block: FrameBlock,
    text: str | None = MAP,
    *,
    needed_s: float | None = None,
    asked: str | None = None,
) -> CureState:
    return watch_over(folder, block, text, needed_s=needed_s, asked=asked).state


def watch_over(
    folder: Path,
    block: FrameBlock,
    text: str | None = MAP,
    *,
    needed_s: float | None = None,
    asked: str | None = None,
) -> CureWatch:
    machine = Machine() if text is None else machine_from_text(text, "map")
    source = Playback([written(folder, block)], math.inf)
    watch = CureWatch(source, machine, rate=RATE, needed_s=needed_s, asked=asked)
    watch.start()
    while not watch.done:
        watch.step()
    watch.stop()
    return watch


def ended_s(watch: CureWatch) -> float:
    """How far into the recording it watched."""
    return watch.result().health.until_ns / S


def test_quiet_for_long_enough_is_a_cure_and_ends_the_watch(tmp_path: Path) -> None:
    state = watched(tmp_path, merged(*Sweeper(until_s=120.0).sent()))
    assert (state.outcome, state.incident) == (CureOutcome.CURED, None)
    assert state.needed_s == pytest.approx(69.9, abs=0.1)
    assert state.quiet_s == 70.0
    assert (
        cure_text(state, RATE)
        == "CURED, 95 % sure: no incident in 1 min 10 s; before, one every 20.0 s (10 in 3 min 20 s)."
    )


def test_an_incident_ends_the_watch_and_is_named(tmp_path: Path) -> None:
    watch = watch_over(tmp_path, merged(*Sweeper(until_s=120.0).switch(40.0, 43.0, ("lights",)).sent()))
    state = watch.state
    assert state.outcome is CureOutcome.INCIDENT
    assert ended_s(watch) < 43.0
    assert state.incident is not None
    assert state.incident.controllers == ("lights",)
    assert state.quiet_s == pytest.approx(40.0, abs=1.5)
    assert cure_text(state, RATE).startswith("NOT CURED: lights dropped off the bus after 4")


def test_a_fault_code_ends_the_watch(tmp_path: Path) -> None:
    # DM1 (SAE J1939-73 5.7.1): lamps, then SPN 110 FMI 3 with one occurrence, every second while it is active
    raised = [at(0x18FECA31, t * S, bytes([0x04, 0xFF, 110, 0, 3, 1, 0xFF, 0xFF])) for t in range(30, 120)]
    quiet = [at(0x18FECA31, t * S, bytes([0x00, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF])) for t in range(30)]
    state = watched(tmp_path, merged(*Sweeper(until_s=120.0).sent(), *quiet, *raised))
    assert state.outcome is CureOutcome.INCIDENT
    assert "110" in cure_text(state, RATE)


def said(address: int, from_s: int, to_s: int, code: tuple[int, int] | None) -> list[Sent]:
    """DM1 (SAE J1939-73 5.7.1) each second: lamps, then SPN, FMI and a count, or zeros where nothing is active."""
    codes = bytes(6) if code is None else bytes([code[0], 0, code[1], 1, 0xFF, 0xFF])
    return [at(0x18FECA00 | address, t * S, bytes([0x00, 0xFF]) + codes) for t in range(from_s, to_s)]


LIGHTS = 0x40
COMPLAINT = "code:lights:110/3"


def test_a_complaint_that_is_there_again_ends_the_watch_and_is_named(tmp_path: Path) -> None:
    told = [*said(LIGHTS, 0, 30, None), *said(LIGHTS, 30, 120, (110, 3))]
    watch = watch_over(tmp_path, merged(*Sweeper(until_s=120.0).sent(), *told), asked=COMPLAINT)
    state = watch.state
    assert (state.outcome, state.quiet_s) == (CureOutcome.SHOWS, 29.0)
    assert ended_s(watch) <= 32.0
    assert cure_text(state, RATE) == "NOT CURED: SPN 110 FMI 3 of lights shows again after 29 s of quiet."


def test_a_complaint_that_never_went_is_told_as_that(tmp_path: Path) -> None:
    told = said(LIGHTS, 0, 120, (110, 3))
    state = watched(tmp_path, merged(*Sweeper(until_s=120.0).sent(), *told), asked=COMPLAINT)
    assert (state.outcome, state.quiet_s) == (CureOutcome.SHOWS, 0.0)
    assert "was there from the first" in cure_text(state, RATE)


def test_another_code_is_told_beside_a_complaint_that_stays_away(tmp_path: Path) -> None:
    told = [*said(LIGHTS, 0, 30, None), *said(LIGHTS, 30, 120, (97, 4))]
    state = watched(tmp_path, merged(*Sweeper(until_s=120.0).sent(), *told), asked=COMPLAINT)
    assert (state.outcome, state.quiet_s) == (CureOutcome.CURED, 70.0)
    text = cure_text(state, RATE)
    assert text.startswith("CURED, 95 % sure: 110/3 of lights did not show, and no incident came, in 1 min 10 s;")
    assert text.endswith("Raised beside it: SPN 97 FMI 4 of lights.")


def test_the_clock_stands_still_while_the_complaint_could_not_be_seen(tmp_path: Path) -> None:
    """Its controller is switched off by its own feed, which the journal would tell; the others go on."""
    sweeper = Sweeper(until_s=120.0).switch(60.0, 200.0, ("lights",))
    state = watched(tmp_path, merged(*sweeper.sent()), needed_s=100.0, asked=COMPLAINT)
    assert state.outcome is CureOutcome.INCIDENT
    capture = written(tmp_path, merged(*sweeper.sent()))
    journal = tmp_path / "actions.csv"
    journal.write_text("time,action,part,into,uncertainty_s,note\n+60.0,power-off,fuse-4,,0.3,\n", encoding="utf-8")
    status, out, _ = typed(
        *("resync", capture, "--machine", tmp_path / "sweeper.toml", "--watch", "1.5", "--actions", journal),
        *("--symptom", COMPLAINT),
    )
    assert (
        status,
        out.startswith("NOT LONG ENOUGH: 110/3 of lights did not show, and no incident came, in 1 min,"),
    ) == (
        2,
        True,
    )


def test_while_the_machine_is_off_the_clock_stands_still(tmp_path: Path) -> None:
    watch = watch_over(tmp_path, merged(*Sweeper(until_s=120.0).switch(30.0, 50.0).sent()), needed_s=60.0)
    state = watch.state
    assert 79.0 < ended_s(watch) < 83.0
    assert (state.outcome, state.power_cycles) == (CureOutcome.CURED, 1)
    assert state.quiet_s == 60.0
    assert "switched off and on once in between" in cure_text(state, RATE)


def test_a_bus_that_falls_silent_under_controllers_that_run_on_is_an_incident(tmp_path: Path) -> None:
    heard = [one.without(40 * S, 44 * S) for one in Sweeper(until_s=120.0).sent()]
    state = watched(tmp_path, merged(*heard))
    assert state.outcome is CureOutcome.INCIDENT
    assert cure_text(state, RATE).startswith("NOT CURED: the whole bus fell silent")


def test_a_controller_that_is_not_heard_proves_nothing(tmp_path: Path) -> None:
    state = watched(tmp_path, merged(*Sweeper(until_s=120.0).switch(0.0, 200.0, ("lights",)).sent()))
    assert (state.outcome, state.missing) == (CureOutcome.MISSING, ("lights",))


def test_a_watch_that_is_too_short_says_how_long_is_left(tmp_path: Path) -> None:
    state = watched(tmp_path, merged(*Sweeper(until_s=30.0).sent()))
    assert state.outcome is CureOutcome.CUT_SHORT
    assert "40 s more without incident make it 95 %" in cure_text(state, RATE)


def test_the_beginning_of_listening_to_a_running_machine_is_no_incident(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    sweeper = Sweeper(until_s=40.0, spread_ms=float(rng.uniform(2.0, 6.0)))
    assert watched(tmp_path, merged(*sweeper.sent()), None, needed_s=30.0).outcome is CureOutcome.CURED


# On the command line


def typed(*words: object) -> tuple[int, str, str]:
    stdout, stderr = io.StringIO(), io.StringIO()
    status = main([str(word) for word in words], Surroundings(stdout=stdout, stderr=stderr, environ={"COLUMNS": "100"}))
    return int(status), stdout.getvalue(), stderr.getvalue()


@pytest.fixture
def before(tmp_path: Path) -> Path:
    """The verdict before the repair: the lights fell off ten times in a bit more than three minutes."""
    sweeper = Sweeper(until_s=210.0)
    for n in range(10):
        sweeper.switch(15.0 + 19.3 * n, 18.0 + 19.3 * n, ("lights",))
    folder = tmp_path / "before"
    folder.mkdir()
    capture = written(folder, merged(*sweeper.sent()))
    out = typed("postmortem", capture, "--machine", folder / "sweeper.toml", "--json")[1]
    (tmp_path / "before.json").write_text(out, encoding="utf-8")
    return tmp_path / "before.json"


@pytest.mark.parametrize("way", ["recording", "replay"])
def test_after_the_verdict_before_the_repair_it_knows_how_long_to_watch(tmp_path: Path, before: Path, way: str) -> None:
    capture = written(tmp_path, merged(*Sweeper(until_s=150.0).sent()))
    words = (capture,) if way == "recording" else ("--replay", capture, "--speed", "max")
    status, out, err = typed(
        "resync", *words, "--machine", tmp_path / "sweeper.toml", "--watch", "auto", "--after", before
    )
    assert (status, err) == (0, "")
    assert "CURED" in out.splitlines()[-1]
    assert "(10 in " in out.splitlines()[-1]


def test_a_folder_from_before_the_repair_is_analysed_first(tmp_path: Path, before: Path) -> None:
    assert before.exists()  # made from the recording in this folder, which tells the same by itself
    (tmp_path / "before" / "sweeper.toml").unlink()
    capture = written(tmp_path, merged(*Sweeper(until_s=150.0).sent()))
    status, out, _ = typed("resync", capture, "--watch", "auto", "--after", tmp_path / "before")
    assert status == 0
    assert "(10 in " in out


def test_a_dropout_after_the_repair_gives_status_1_and_its_name(tmp_path: Path, before: Path) -> None:
    capture = written(tmp_path, merged(*Sweeper(until_s=150.0).switch(100.0, 104.0, ("lights",)).sent()))
    status, out, _ = typed("resync", capture, "--machine", tmp_path / "sweeper.toml", "--watch", "1", "--after", before)
    assert status == 1
    assert out.startswith("NOT CURED: lights dropped off the bus after 1 min 40 s of quiet")


@pytest.mark.parametrize("way", ["recording", "replay"])
def test_the_complaint_of_the_verdict_before_is_what_must_stay_away(tmp_path: Path, way: str) -> None:
    folder = tmp_path / "before"
    folder.mkdir()
    told = said(LIGHTS, 0, 20, None)
    for t in range(20, 200, 20):
        told += [*said(LIGHTS, t, t + 3, (110, 3)), *said(LIGHTS, t + 3, t + 20, None)]
    first = written(folder, merged(*Sweeper(until_s=200.0).sent(), *told))
    out = typed("postmortem", first, "--machine", folder / "sweeper.toml", "--json")[1]
    (tmp_path / "before.json").write_text(out, encoding="utf-8")
    jsonschema.validate(json.loads(out), json.loads(SCHEMA.read_text(encoding="utf-8")))
    assert json.loads(out)["common_to"] == "code:lights:SPN 110 FMI 3"
    after = [*said(LIGHTS, 0, 40, None), *said(LIGHTS, 40, 50, (97, 4)), *said(LIGHTS, 50, 90, (110, 3))]
    capture = written(tmp_path, merged(*Sweeper(until_s=90.0).sent(), *after))
    words: tuple[object, ...] = (capture,) if way == "recording" else ("--replay", capture, "--speed", "max")
    words += ("--watch", "auto", "--after", tmp_path / "before.json")
    assert typed("resync", *words)[1].endswith("NOT CURED: lights not heard; nothing is proved.\n"), "by another map"
    status, text, _ = typed("resync", *words, "--machine", tmp_path / "sweeper.toml", "--json")
    document = json.loads(text)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    cure = document["cure"]
    assert (status, cure["outcome"], cure["complaint"]) == (1, "shows", "code:lights:SPN 110 FMI 3")
    assert cure["showing"]["from_s"] == pytest.approx(50.0, abs=0.01)
    assert cure["before"]["incidents"] == 9
    assert "SPN 97 FMI 4 of lights" in cure["beside"]


def test_too_short_a_recording_gives_status_2(tmp_path: Path) -> None:
    capture = written(tmp_path, merged(*Sweeper(until_s=30.0).sent()))
    status, out, _ = typed("resync", capture, "--watch", "auto")
    assert status == 2
    assert out.startswith("NOT LONG ENOUGH: no incident in 30 s")


def test_what_the_journal_explains_does_not_count(tmp_path: Path) -> None:
    capture = written(tmp_path, merged(*Sweeper(until_s=90.0).switch(40.0, 44.0, ("lights",)).sent()))
    journal = tmp_path / "actions.csv"
    journal.write_text(
        "time,action,part,into,uncertainty_s,note\n+40.1,power-off,fuse-4,,0.3,\n+43.9,power-on,fuse-4,,0.3,\n",
        encoding="utf-8",
    )
    words = ("resync", capture, "--machine", tmp_path / "sweeper.toml", "--watch", "1", "--actions", journal)
    assert typed(*words)[0] == 0


@pytest.mark.parametrize("way", ["recording", "replay"])
def test_json_holds_the_watch_and_the_whole_verdict(tmp_path: Path, way: str) -> None:
    capture = written(tmp_path, merged(*Sweeper(until_s=90.0).sent()))
    words = (capture,) if way == "recording" else ("--replay", capture, "--speed", "max")
    status, out, _ = typed("resync", *words, "--watch", "1", "--json")
    document = json.loads(out)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    assert (status, document["cure"]["outcome"]) == (0, "cured")


@pytest.mark.parametrize(
    "words", [("--watch", "soon"), ("--watch", "-3"), ("--after", "v.json"), ("--symptom", "code")]
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(words: tuple[str, ...]) -> None:
    status, out, err = typed("resync", "x.log", *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
