"""The commands as a technician types them: exit statuses, one sentence for bad input, JSON by the contract."""

import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from busdoc.cli.environment import ExitStatus
from tests.documents import held_to_schema
from tests.typed import Run

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
CARRIER = ROOT / "captures" / "straddle_carrier"


def sweeper(*more: object) -> list[object]:
    return [
        "postmortem",
        SWEEPER / "capture.log.gz",
        "--db",
        ROOT / "dbc_examples" / "street_sweeper.dbc",
        "--machine",
        SWEEPER / "machine.toml",
        "--actions",
        SWEEPER / "actions.csv",
        *more,
    ]


def test_alone_it_shows_the_three_uses_with_an_example_each(run: Run) -> None:
    status, out, _ = run()
    assert status == ExitStatus.HEALTHY
    assert "Isolation" in out
    assert "Post-mortem" in out
    assert "After a power cycle" in out
    assert out.count("busdoc postmortem") + out.count("busdoc resync") >= 3


def test_the_demo_writes_its_files_and_ends_with_status_0(run: Run, tmp_path: Path) -> None:
    status, out, err = run("demo", "-o", tmp_path / "demo")
    assert (status, err) == (ExitStatus.HEALTHY, "")
    written = {path.name for path in (tmp_path / "demo").iterdir()}
    assert {"capture.log", "machine.toml", "street_sweeper.dbc", "actions.csv", "truth.json"} <= written
    assert "hopper" in out.lower()
    held_to_schema((tmp_path / "demo" / "verdict.json").read_text(encoding="utf-8"))


def test_trouble_ends_with_status_1_and_the_verdict_comes_first(run: Run) -> None:
    status, out, err = run(*sweeper())
    assert (status, err) == (ExitStatus.TROUBLE, "")
    assert "hopper" in out.splitlines()[0].lower()


def test_json_is_one_document_with_every_key_of_the_contract(run: Run) -> None:
    status, out, _ = run(*sweeper("--json"))
    tree = held_to_schema(out)
    assert status == ExitStatus.TROUBLE
    assert tree["schema"] == "busdoc-verdict/1"
    keys = {
        "capture": {"files", "frames", "error_frames", "skipped_lines", "start_s", "duration_s", "channels", "gaps"},
        "controllers": {"name", "channel", "identity", "frames", "streams", "state", "present_s", "lost_s", "dropouts"},
        "incidents": {"n", "kind", "controllers", "last_seen_s", "onset_s", "back_s", "steady_s", "ran_on", "expected"},
        "actions": {"n", "time_s", "uncertainty_s", "action", "part", "into", "origin"},
        "codes": {"controller", "kind", "code", "text", "occurrences", "first_s", "last_s", "active"},
    }
    for key, wanted in keys.items():
        rows = tree[key] if isinstance(tree[key], list) else [tree[key]]
        assert rows
        assert all(wanted <= set(row) for row in rows)
    assert {"because", "spontaneous"} <= set(tree["incidents"][0])
    assert tree["cautions"]


def test_a_bare_recording_is_told_the_next_best_thing_to_add(run: Run) -> None:
    capture, machine = SWEEPER / "capture.log.gz", ("--machine", SWEEPER / "machine.toml")
    database = ("--db", ROOT / "dbc_examples" / "street_sweeper.dbc")
    clean = ROOT / "tests" / "data" / "real" / "car-clean-drive.log.gz"

    def last(*words: object) -> str:
        return " ".join(run("postmortem", *words)[1].split("\n\n")[-2].split())

    assert "A map of the machine would tell which part: busdoc baseline" in last(capture)
    assert "To judge the next recording by this one" in last(clean)
    assert "A message database" in last(capture, *machine)
    assert "A journal of what was done" in last(capture, *machine, *database)
    assert "would" not in last(capture, *machine, *database, "--actions", SWEEPER / "actions.csv")


def truth_silences(folder: Path) -> list[dict[str, Any]]:
    truth: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    silences: list[dict[str, Any]] = truth["silences"]
    return silences


@pytest.mark.parametrize(("folder", "database"), [(SWEEPER, "street_sweeper.dbc"), (CARRIER, "straddle_carrier.dbc")])
def test_every_silence_of_the_bundled_truth_is_in_the_answer(run: Run, folder: Path, database: str) -> None:
    _, out, _ = run(
        "postmortem",
        folder / "capture.log.gz",
        "--db",
        ROOT / "dbc_examples" / database,
        "--machine",
        folder / "machine.toml",
        "--actions",
        folder / "actions.csv",
        "--json",
    )
    told = [
        (loss["controller"], loss["last_seen_s"], loss["ran_on"])
        for incident in json.loads(out)["incidents"]
        for loss in incident["losses"]
    ]
    silences = truth_silences(folder)
    assert silences
    for silence in silences:
        near = [
            ran_on
            for name, last_s, ran_on in told
            if name == silence["controller"] and abs(last_s - silence["last_s"]) < 0.2
        ]
        assert near, silence
        assert silence["ran_on"] in near or silence["first_s"] is None


def test_a_clean_drive_of_a_real_car_is_healthy(run: Run) -> None:
    status, out, err = run("postmortem", ROOT / "tests" / "data" / "real" / "car-clean-drive.log.gz")
    assert (status, err) == (ExitStatus.HEALTHY, "")
    assert out.startswith("Healthy")


def test_tables_open_in_pandas_with_units_in_their_column_names(run: Run, tmp_path: Path) -> None:
    run(*sweeper("--tables", tmp_path))
    incidents = pd.read_csv(tmp_path / "incidents.csv")
    assert {"controller", "onset_s", "back_s", "ran_on", "because_action"} <= set(incidents.columns)
    assert len(pd.read_parquet(tmp_path / "incidents.parquet")) == len(incidents)
    assert (pd.read_csv(tmp_path / "load.csv")["load"] < 1).all()
    assert len(pd.read_csv(tmp_path / "signals.csv"))


def refuse(run: Run, *words: object) -> str:
    status, out, err = run(*words)
    assert status == ExitStatus.COULD_NOT
    assert out == ""
    assert err.startswith("busdoc: ")
    assert "Traceback" not in err
    return err


def test_a_missing_capture_is_named(run: Run, tmp_path: Path) -> None:
    assert "nowhere.log" in refuse(run, "postmortem", tmp_path / "nowhere.log")


def test_an_empty_capture_is_refused(run: Run, tmp_path: Path) -> None:
    (tmp_path / "empty.log").write_bytes(b"")
    assert "empty.log" in refuse(run, "postmortem", tmp_path / "empty.log")


def test_a_capture_of_the_wrong_kind_is_refused(run: Run, tmp_path: Path) -> None:
    shutil.copy(SWEEPER / "machine.toml", tmp_path / "machine.log")
    assert "machine.log" in refuse(run, "postmortem", tmp_path / "machine.log")


def test_a_mistake_in_the_map_is_named_with_its_line_and_the_nearest_right_name(run: Run, tmp_path: Path) -> None:
    text = (SWEEPER / "machine.toml").read_text(encoding="utf-8")
    line = text[: text.index('into = "fuse-3"')].count("\n") + 1
    (tmp_path / "machine.toml").write_text(text.replace('into = "fuse-3"', 'into = "fuse-33"', 1), encoding="utf-8")
    said = refuse(run, "postmortem", SWEEPER / "capture.log.gz", "--machine", tmp_path / "machine.toml")
    assert f"line {line}" in said
    assert "fuse-3" in said


def test_a_journal_without_its_header_is_refused(run: Run, tmp_path: Path) -> None:
    (tmp_path / "actions.csv").write_text("+5,plug,harness-A,,,\n", encoding="utf-8")
    said = refuse(run, *sweeper()[:-1], tmp_path / "actions.csv")
    assert "actions.csv" in said


def test_a_database_that_is_none_is_refused(run: Run, tmp_path: Path) -> None:
    (tmp_path / "sweeper.dbc").write_text("this is no database\n", encoding="utf-8")
    assert "sweeper.dbc" in refuse(run, "postmortem", SWEEPER / "capture.log.gz", "--db", tmp_path / "sweeper.dbc")


def test_what_is_good_in_a_broken_capture_is_used_and_the_rest_counted(run: Run, tmp_path: Path) -> None:
    lines = [
        "(1.000000) can0 123#11",
        "garbage",
        "(1.100000) can0 123#11",
        "(1.2) can0 1Z3#11",
        "(1.200000) can0 123#1",
    ]
    lines += [f"({2 + 0.1 * k:.6f}) can0 123#11" for k in range(50)]
    (tmp_path / "broken.log").write_text("\n".join(lines), encoding="utf-8")
    _, out, _ = run("postmortem", tmp_path / "broken.log", "--json")
    capture = json.loads(out)["capture"]
    assert capture["frames"] == 52
    assert capture["skipped_lines"] == 3
    assert [skipped["line"] for skipped in capture["skipped"]] == [2, 4, 5]


def test_simulate_makes_a_capture_that_the_post_mortem_reads(run: Run, tmp_path: Path) -> None:
    status, _, err = run("simulate", SWEEPER / "scenario.toml", "-o", tmp_path / "again", "--seed", 3)
    assert (status, err) == (ExitStatus.HEALTHY, "")
    status, out, _ = run("postmortem", tmp_path / "again" / "capture.log", "--json")
    assert json.loads(out)["capture"]["frames"] > 10_000


def test_without_a_map_controllers_are_shown_by_what_their_names_say(run: Run) -> None:
    _, out, _ = run("postmortem", ROOT / "tests" / "data" / "real" / "tractor-idle-run.log.gz")
    assert "address 0x03: transmission, agriculture and forestry, maker 33" in out
