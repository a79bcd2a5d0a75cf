"""`busdoc resync` and `busdoc baseline` as a technician types them."""

import json
from functools import cache
from pathlib import Path

import jsonschema
import pytest

import busdoc.report.json
from busdoc.simulation.run import Run
from busdoc.simulation.run_folder import write_run
from tests.truth.by_chance.machine_text import machine_text
from tests.truth.by_chance.power_up import Oddity, random_power_ups
from tests.truth.by_chance.random_machine import Protocol
from tests.typed import Run as Typed

SCHEMA = Path(busdoc.report.json.__file__).parent / "schema" / "busdoc-verdict-1.json"


@cache
def made(oddity: Oddity) -> Run:
    return random_power_ups(7, oddity, n_healthy=4, protocol=Protocol.J1939).run


@pytest.fixture
def healthy(tmp_path: Path) -> Path:
    """A folder with a healthy recording, its journal and a map without limits."""
    write_run(made(Oddity.NONE), tmp_path)
    (tmp_path / "machine.toml").write_text(machine_text(made(Oddity.NONE).machine), encoding="utf-8")
    return tmp_path


def test_after_a_baseline_a_healthy_recording_passes_with_status_0(run: Typed, healthy: Path) -> None:
    capture, machine = healthy / "capture.log", healthy / "machine.toml"
    assert run("baseline", capture, "-o", machine)[0] == 0
    status, out, err = run("resync", capture, "--machine", machine, "--actions", healthy / "actions.csv")
    assert (status, err) == (0, "")
    assert out.startswith("PASS: after each of 5 power-ups every controller was back in step in time.")


def test_a_controller_that_stays_away_fails_with_status_1_and_its_name(run: Typed, healthy: Path) -> None:
    capture, machine = healthy / "capture.log", healthy / "machine.toml"
    run("baseline", capture, "-o", machine)
    sick = healthy / "sick"
    sick.mkdir()
    session = random_power_ups(7, Oddity.MISSING, n_healthy=0, protocol=Protocol.J1939)
    write_run(session.run, sick)
    (sick / "machine.toml").write_text(machine_text(session.run.machine), encoding="utf-8")
    status, out, _ = run("resync", sick / "capture.log", "--machine", sick / "machine.toml")
    assert status == 1
    assert out.startswith(f"FAIL: {session.controller} did not come back as it should.")


def test_json_is_a_whole_document_of_the_contract(run: Typed, healthy: Path) -> None:
    status, out, _ = run("resync", healthy / "capture.log", "--machine", healthy / "machine.toml", "--json")
    document = json.loads(out)
    assert (status, document["verdict"], len(document["resync"])) == (0, "no limit", 5)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    assert {c["verdict"] for one in document["resync"] for c in one["controllers"]} == {"no limit"}


def test_a_post_mortem_gives_the_same_returns_as_resync(run: Typed, healthy: Path) -> None:
    words = (healthy / "capture.log", "--machine", healthy / "machine.toml", "--json")
    returns = [json.loads(run(command, *words)[1])["resync"] for command in ("resync", "postmortem")]
    assert returns[0] == returns[1]


def test_a_recording_without_a_power_up_is_refused_in_a_sentence(run: Typed) -> None:
    capture = Path(__file__).parents[1] / "data" / "real" / "car-clean-drive.log.gz"
    status, out, err = run("resync", capture)
    assert (status, out) == (2, "")
    assert "a power-up" in err
    assert err.count("\n") == 1


def test_a_baseline_added_to_a_map_keeps_its_lines(run: Typed, healthy: Path) -> None:
    machine = healthy / "machine.toml"
    before = "# mine\n" + machine.read_text(encoding="utf-8")
    machine.write_text(before, encoding="utf-8")
    status, out, _ = run("baseline", healthy / "capture.log", "-o", machine)
    assert status == 0
    assert "Added" in out
    rest = iter(machine.read_text(encoding="utf-8").splitlines())
    assert all(any(line == later for later in rest) for line in before.splitlines())


def test_a_map_with_a_mistake_is_not_touched(run: Typed, healthy: Path) -> None:
    machine = healthy / "machine.toml"
    machine.write_text("[[controller]]\nnane = 'x'\n", encoding="utf-8")
    status, _, err = run("baseline", healthy / "capture.log", "-o", machine)
    assert status == 2
    assert "nane" in err
    assert machine.read_text(encoding="utf-8") == "[[controller]]\nnane = 'x'\n"


@pytest.mark.parametrize("words", [("--replay", "CAPTURE"), ("--bus", "virtual:x", "--watch", "1")])
def test_a_journal_is_read_with_a_recording_or_keeps_the_presses_at_a_live_bus(
    run: Typed, healthy: Path, words: tuple[str, ...]
) -> None:
    given = [str(healthy / "capture.log") if word == "CAPTURE" else word for word in words]
    status, _, err = run("resync", *given, "--actions", healthy / "actions.csv")
    assert (status, "a recording to read it with, or a live bus" in " ".join(err.split())) == (2, True)


def test_a_journal_that_cannot_be_added_to_is_said_before_anything_is_listened_to(run: Typed, tmp_path: Path) -> None:
    other = tmp_path / "table.csv"
    other.write_text("a,b\n", encoding="utf-8")
    status, _, err = run("resync", "--bus", "virtual:nobody", "--actions", other)
    assert (status, "a journal with the header" in " ".join(err.split())) == (2, True)


def test_a_baseline_counts_identifiers_that_nobody_names_as_such(run: Typed, tmp_path: Path) -> None:
    """A car's bus of 11-bit identifiers, 150 of them in a rhythm (tests/data/real/NOTICE)."""
    car = Path(__file__).parents[1] / "data" / "real" / "car-off-on-ready-off.log.gz"
    status, out, _ = run("baseline", car, "-o", tmp_path / "car.toml")
    assert status == 0
    assert "car.toml: 150 identifiers, whoever sends them; 0 power-ups" in " ".join(out.split())
