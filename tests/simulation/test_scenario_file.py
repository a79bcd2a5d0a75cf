"""Scenario files: what they mean, and the sentence for every mistake."""

import contextlib
import csv
import json
import tomllib
from pathlib import Path

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.api import load_journal, open_capture
from busdoc.capture.frames import FrameBlock
from busdoc.errors import InputError
from busdoc.simulation.demo import write_demo
from busdoc.simulation.run_folder import run_scenario_file
from busdoc.simulation.scenario.file import load_scenario
from busdoc.simulation.scenario.scenario import simulate

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "captures"
DEMO = ROOT / "busdoc" / "simulation" / "demo"

SMALL = """[scenario]
name = "small"
machine = "machine.toml"
database = "street_sweeper.dbc"

[[stream]]
controller = "hopper"
message = "HopperStatus"
[stream.signals]
GateAngle = { value = 12.5, sensor = "gate-angle" }

[[fault]]
part = "gate-angle"
latches = true

[[step]]
do = "watch"
seconds = 4
"""


def folder_with(path: Path, text: str) -> Path:
    for name in ("machine.toml", "street_sweeper.dbc"):
        (path / name).write_bytes((DEMO / name).read_bytes())
    scenario = path / "scenario.toml"
    scenario.write_text(text, encoding="utf-8")
    return scenario


@pytest.mark.parametrize(
    ("good", "bad", "sentence"),
    [
        (
            "latches = true",
            "latch = true",
            'line 14: expected a key of [fault], found "latch". Did you mean "latches"?',
        ),
        ('part = "gate-angle"', 'part = "gate-angel"', "line 13: expected part to be one that is known, found"),
        ('do = "watch"', 'do = "wait"', "line 17: expected do to be one that is known, found 'wait'"),
        ("seconds = 4", 'seconds = "4"', "line 18: expected seconds as a number"),
        ("seconds = 4", "seconds = nan", "line 18: expected seconds as a number"),
        ("[[fault]]", "[[faults]]", 'expected a table of a scenario, found [faults]. Did you mean "fault"?'),
        ('"HopperStatus"', '"HopperState"', 'Did you mean "HopperStatus"?'),
        ("GateAngle = {", "GateAngel = {", 'found "GateAngel". Did you mean "GateAngle"?'),
        ("value = 12.5", "sine = [1, 2]", "expected sine as a list of 3 numbers"),
        ('machine = "machine.toml"', 'machine = "map.toml"', "found no 'map.toml' beside it"),
        ("[[step]]", "[[step]", "expected a TOML file"),
        ("seconds = 4", "seconds = 1e9", "expected seconds as a number from 0 to 604800"),
        ("seconds = 4", "seconds = 604800", "expected steps of a week at most"),
        (
            'latches = true\n\n[[step]]\ndo = "watch"\nseconds = 4',
            'holds_s = 0.001\nrate_hz = 100.0\n\n[[step]]\ndo = "watch"\nseconds = 3000',
            "expected 50000 showings of faults at most",
        ),
        ('do = "watch"', 'do = "unplug"', "expected the part to unplug, found nothing"),
    ],
)
def test_every_mistake_gets_its_sentence(tmp_path: Path, good: str, bad: str, sentence: str) -> None:
    assert good in SMALL
    with pytest.raises(InputError) as caught:
        load_scenario(folder_with(tmp_path, SMALL.replace(good, bad, 1)))
    assert sentence in str(caught.value)


def test_a_scenario_over_a_map_without_parts_names_what_is_missing(tmp_path: Path) -> None:
    scenario = folder_with(tmp_path, SMALL)
    (tmp_path / "machine.toml").write_text('[machine]\nname = "bare"\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_scenario(scenario)
    assert "expected part to be one that is known, found 'gate-angle'" in str(caught.value)


@settings(max_examples=150)
@given(data=st.data())
def test_a_mutated_scenario_is_read_or_refused_with_a_sentence(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    at = data.draw(st.integers(0, len(SMALL) - 1))
    width = data.draw(st.integers(0, 12))
    put = data.draw(st.text(alphabet='[]{}="\n .-1x#', max_size=6))
    scenario = folder_with(tmp_path_factory.mktemp("mutated"), SMALL[:at] + put + SMALL[at + width :])
    with contextlib.suppress(InputError):  # anything else is a traceback, and fails
        load_scenario(scenario)


def test_a_run_is_written_with_all_that_belongs_to_it(tmp_path: Path) -> None:
    run = run_scenario_file(folder_with(tmp_path, SMALL), tmp_path / "out")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"capture.log", "actions.csv", "truth.json", "machine.toml", "street_sweeper.dbc"}
    truth = json.loads((tmp_path / "out" / "truth.json").read_text(encoding="utf-8"))
    assert truth["faulty"] == ["gate-angle"]
    assert [s["controller"] for s in truth["silences"]] == ["hopper"]
    assert len(run.truth.silences) == 1


@pytest.mark.parametrize(("head", "sign"), [("", "+"), ("start = 2026-03-02T07:00:00Z\n", "1")])
def test_the_journal_of_a_run_lies_on_the_clock_of_its_capture(tmp_path: Path, head: str, sign: str) -> None:
    scenario = folder_with(tmp_path, SMALL.replace("[scenario]\n", f"[scenario]\n{head}"))
    with scenario.open("a", encoding="utf-8") as file:
        file.write('[[step]]\ndo = "restore-one-at-a-time"\ncontroller = "hopper"\nbranches = ["harness-A"]\n')
    run = run_scenario_file(scenario, tmp_path / "out")
    rows = (tmp_path / "out" / "actions.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [row[0] for row in rows] == [sign] * len(run.actions)
    capture = open_capture(tmp_path / "out" / "capture.log")
    journal = load_journal(tmp_path / "out" / "actions.csv", capture=capture)
    assert journal.warnings == ()
    late_ns = [one.time_ns - made.time_ns for one, made in zip(journal.actions, run.actions, strict=True)]
    assert run.actions
    assert max(map(abs, late_ns)) <= 500_000  # a millisecond is what it is rounded to


def test_another_seed_gives_another_capture_of_the_same_story(tmp_path: Path) -> None:
    scenario = load_scenario(folder_with(tmp_path, SMALL))
    one, same, other = (simulate(scenario, seed) for seed in (1, None, 2))
    assert FrameBlock.concat(one.blocks).t_ns.tolist() == FrameBlock.concat(same.blocks).t_ns.tolist()
    assert FrameBlock.concat(one.blocks).t_ns.tolist() != FrameBlock.concat(other.blocks).t_ns.tolist()


@pytest.mark.parametrize(
    "folder", sorted(path.parent for path in CAPTURES.glob("*/scenario.toml")), ids=lambda p: p.name
)
def test_the_bundled_captures_are_what_their_scenarios_make(folder: Path, tmp_path: Path) -> None:
    import gzip

    run_scenario_file(folder / "scenario.toml", tmp_path)
    made = (tmp_path / "capture.log").read_bytes()
    assert gzip.decompress((folder / "capture.log.gz").read_bytes()) == made
    for name in ("actions.csv", "truth.json"):
        assert (folder / name).read_bytes() == (tmp_path / name).read_bytes()
    assert (folder / "capture.log.gz").stat().st_size < 500_000


def test_the_demonstration_in_the_package_is_the_bundled_one() -> None:
    bundled = CAPTURES / "street_sweeper"
    assert (DEMO / "machine.toml").read_bytes() == (bundled / "machine.toml").read_bytes()
    assert (DEMO / "street_sweeper.dbc").read_bytes() == (ROOT / "dbc_examples" / "street_sweeper.dbc").read_bytes()
    one = tomllib.loads((DEMO / "scenario.toml").read_text(encoding="utf-8"))
    other = tomllib.loads((bundled / "scenario.toml").read_text(encoding="utf-8"))
    one["scenario"].pop("database")
    other["scenario"].pop("database")
    assert one == other


def test_the_demonstration_tells_its_story_in_what_the_hopper_says(tmp_path: Path) -> None:
    files = write_demo(tmp_path / "demo")
    database = cantools.database.load_file(files.database)
    assert isinstance(database, cantools.database.can.Database)
    status = database.get_message_by_name("HopperStatus")
    start = None
    angles: list[tuple[float, float]] = []
    faults: list[float] = []
    for line in files.capture.read_text(encoding="utf-8").splitlines():
        stamp, _, frame = line.split()
        identifier, _, payload = frame.partition("#")
        at = float(stamp.strip("()"))
        start = at if start is None else start
        if identifier == f"{status.frame_id:08X}":
            decoded = status.decode(bytes.fromhex(payload))
            assert isinstance(decoded, dict)
            angle = decoded["GateAngle"]
            assert isinstance(angle, float)
            angles.append((at - start, angle))
            if decoded["State"] == "FAULT":
                faults.append(at - start)
    with files.actions.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    unplugged = next(float(row["time"]) for row in rows if row["part"] == "harness-A") - (start or 0.0)
    restored = next(float(r["time"]) for r in rows if (r["action"], r["part"]) == ("plug", "harness-A")) - (
        start or 0.0
    )
    while_off = [angle for at, angle in angles if unplugged + 3.0 < at < restored - 3.0]
    assert while_off
    assert np.allclose(while_off, 655.35)  # all ones: not available
    assert len(faults) >= 4
    assert angles[-1][1] < 62.0
