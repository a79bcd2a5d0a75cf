"""What happens at the edges of a first try: odd terminals, pipes, wrong files, hardly any traffic."""

import errno
import io
import json
import os
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import main
from tests.typed import Run, typed

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
CARRIER = ROOT / "captures" / "straddle_carrier"


@pytest.fixture
def run() -> Run:
    return partial(typed, columns=160)


def started(*words: object, encoding: str = "utf-8") -> subprocess.Popen[bytes]:
    environment = dict(os.environ, PYTHONIOENCODING=encoding)
    command = [sys.executable, "-m", "busdoc", *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment)


def beats(path: Path, *lines: str, n: int = 100) -> Path:
    """Write a capture in which each line comes every 0.1 s; `{t}` is its time."""
    text = "".join(
        line.format(t=f"{1 + 0.1 * k + 0.001 * m:.6f}") + "\n" for k in range(n) for m, line in enumerate(lines)
    )
    path.write_text(text, encoding="utf-8")
    return path


def test_a_reader_that_leaves_early_does_not_turn_trouble_into_health() -> None:
    with started("postmortem", SWEEPER / "capture.log.gz", "--json") as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == ExitStatus.TROUBLE


def test_a_terminal_without_umlauts_shows_a_folder_with_umlauts(tmp_path: Path) -> None:
    with started("demo", "-o", tmp_path / "Kehrmaschine über 7", encoding="ascii") as process:
        out, err = process.communicate()
    assert (process.returncode, err) == (ExitStatus.HEALTHY, b"")
    assert b"Kehrmaschine \\xfcber 7" in out


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_a_full_disk_is_a_sentence_and_status_2() -> None:
    with Path("/dev/full").open("wb") as full:
        command = [sys.executable, "-m", "busdoc", "postmortem", str(SWEEPER / "capture.log.gz")]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, check=False)
    assert done.returncode == ExitStatus.COULD_NOT
    assert done.stderr.startswith(b"busdoc: could not write the result")


def test_closed_streams_are_no_error(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    assert main(["postmortem", str(beats(tmp_path / "one.log", "({t}) can0 123#11"))]) == ExitStatus.HEALTHY
    assert main(["postmortem", str(tmp_path / "nowhere.log")]) == ExitStatus.COULD_NOT


@pytest.mark.parametrize("more", [("--seed", "-1"), ("--suffix", ".xyz")])
def test_simulate_refuses_what_it_cannot_use(run: Run, tmp_path: Path, more: tuple[str, str]) -> None:
    status, _, err = run("simulate", SWEEPER / "scenario.toml", "-o", tmp_path, *more)
    assert status == ExitStatus.COULD_NOT
    assert "expected" in err


def test_simulate_names_a_folder_that_it_cannot_make(run: Run, tmp_path: Path) -> None:
    (tmp_path / "taken").write_bytes(b"")
    status, _, err = run("simulate", SWEEPER / "scenario.toml", "-o", tmp_path / "taken")
    assert status == ExitStatus.COULD_NOT
    assert "taken: expected a folder" in err


@pytest.mark.parametrize("more", [("--report", "verdict.doc"), ("--field", "no-equals-sign")])
def test_a_slip_in_the_options_is_told_before_the_capture_is_read(run: Run, more: tuple[str, str]) -> None:
    _, _, err = run("postmortem", "nowhere.log", *more)
    assert more[1].rpartition(".")[2] in err
    assert "nowhere.log" not in err


def test_one_frame_is_not_called_healthy(run: Run, tmp_path: Path) -> None:
    _, out, _ = run("postmortem", beats(tmp_path / "one.log", "({t}) can0 123#11", n=1))
    assert "Healthy" not in out
    assert "1 frame in 1 file" in out
    assert "?" not in next(line for line in out.splitlines() if line.startswith("  id 0x123"))


def test_identifiers_are_not_counted_as_controllers(run: Run, tmp_path: Path) -> None:
    _, out, _ = run("postmortem", beats(tmp_path / "two.log", "({t}) can0 123#11", "({t}) can0 124#11"))
    assert out.startswith("Healthy: both identifiers were in step")


def test_the_map_and_the_database_of_another_machine_are_told(run: Run) -> None:
    database = ROOT / "dbc_examples" / "straddle_carrier.dbc"
    words = [
        "postmortem",
        SWEEPER / "capture.log.gz",
        "--db",
        database,
        "--machine",
        CARRIER / "machine.toml",
        "--json",
    ]
    warnings = json.loads(run(*words)[1])["warnings"]
    assert "not one controller of the machine map was heard: is it the map of this machine?" in warnings
    assert "not one sender of the message database was heard: is it the database of this machine?" in warnings


def test_the_right_map_and_database_are_not_doubted(run: Run) -> None:
    database = ROOT / "dbc_examples" / "street_sweeper.dbc"
    words = [
        "postmortem",
        SWEEPER / "capture.log.gz",
        "--db",
        database,
        "--machine",
        SWEEPER / "machine.toml",
        "--json",
    ]
    assert not [text for text in json.loads(run(*words)[1])["warnings"] if "is it the" in text]


def test_a_journal_of_another_day_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "late.csv").write_text("time,action,part,into,uncertainty_s,note\n+90000,mark,,,,\n", encoding="utf-8")
    words = ["postmortem", SWEEPER / "capture.log.gz", "--actions", tmp_path / "late.csv", "--json"]
    assert any("after the last frame" in text for text in json.loads(run(*words)[1])["warnings"])


def test_the_headline_keeps_the_length_of_the_record_apart_from_what_it_points_to(run: Run) -> None:
    headline = json.loads(run("postmortem", SWEEPER / "capture.log.gz", "--json")[1])["headline"]
    assert "fell silent 4 times in 3 min 58 s. Every controller restarted after these silences" in headline


def test_no_suspect_is_listed_as_cleared_too(run: Run, tmp_path: Path) -> None:
    words = ["postmortem", SWEEPER / "capture.log.gz", "--machine", SWEEPER / "machine.toml"]
    lines = (SWEEPER / "actions.csv").read_text(encoding="utf-8").splitlines()
    before_the_repair = [line for line in lines if ",replace," not in line]  # after it nobody is accused
    journal = tmp_path / "actions.csv"
    journal.write_text("\n".join(before_the_repair) + "\n", encoding="utf-8")
    _, out, _ = run(*words, "--actions", journal)
    blocks = {block.partition("\n")[0]: block.partition("\n")[2] for block in out.split("\n\n")}
    cleared = {name.strip() for name in blocks["Cleared"].replace("\n", " ").replace(" and ", ",").split(",")}
    suspects = {line.split()[-1] for line in blocks["Which part"].splitlines() if " %  " in line}
    assert cleared
    assert suspects
    assert not cleared & suspects


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--machine", "gone.toml"), "gone.toml: expected a machine map, found nothing by this name."),
        (("--actions", "gone.csv"), "gone.csv: expected an action journal, found nothing by this name."),
        (("--machine", ROOT / "captures"), "expected a machine map, found"),
        (("--tables", Path(__file__)), "expected a folder that can be written, found a file by this name."),
    ],
)
def test_a_file_that_is_not_as_named_is_a_sentence_without_an_error_number(
    run: Run, words: tuple[object, ...], said: str
) -> None:
    status, _, err = run("postmortem", SWEEPER / "capture.log.gz", *words)
    assert status == ExitStatus.COULD_NOT
    assert said in err
    assert "Errno" not in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("resync", SWEEPER / "capture.log.gz", "--within", "5"), "--within: expected a live bus or --replay"),
        (("resync", "--bus", "virtual:a", "--speed", "5"), "--speed: expected --replay beside it, found a live bus"),
    ],
)
def test_an_option_that_would_do_nothing_is_refused(run: Run, words: tuple[object, ...], said: str) -> None:
    status, _, err = run(*words)
    assert (status, said in err) == (ExitStatus.COULD_NOT, True)


def test_no_bus_named_and_none_configured_says_so(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    import can

    monkeypatch.setattr(can.util, "CONFIG_FILES", [])
    for name in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG"):
        monkeypatch.delenv(name, raising=False)
    status, _, err = run("record", "-o", "never-made")
    assert status == ExitStatus.COULD_NOT
    assert "found none. Name the bus: --bus INTERFACE:CHANNEL@BITRATE." in err


def test_a_file_whose_name_holds_an_equals_sign_is_no_channel(run: Run, tmp_path: Path) -> None:
    database = tmp_path / "line=2.dbc"
    database.write_bytes((ROOT / "dbc_examples" / "street_sweeper.dbc").read_bytes())
    _, plain, _ = run("postmortem", SWEEPER / "capture.log.gz", "--db", database)
    _, channel, _ = run("postmortem", SWEEPER / "capture.log.gz", "--db", f"can0={database}")
    assert "HopperStatus.State" in plain
    assert "HopperStatus.State" in channel


def test_a_folder_that_takes_no_report_is_a_sentence_and_nothing_else(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("", encoding="utf-8")
    environment = dict(os.environ, MPLCONFIGDIR=str(in_the_way))  # nor may the plotting library keep its cache
    command = [sys.executable, "-m", "busdoc", "postmortem", str(SWEEPER / "capture.log.gz")]
    report = in_the_way / "report.html"
    done = subprocess.run([*command, "--report", str(report)], env=environment, capture_output=True, check=False)
    assert done.returncode == ExitStatus.COULD_NOT
    said = f"busdoc: {report}: expected a file that can be written, found a file by this name. Name another one."
    assert done.stderr.decode("utf-8").splitlines() == [said]


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_of_a_verdict_is_wider_than_the_terminal(width: int) -> None:
    stdout = io.StringIO()
    words = ["postmortem", SWEEPER / "capture.log.gz", "--machine", SWEEPER / "machine.toml"]
    main([str(word) for word in words], Surroundings(stdout=stdout, stderr=stdout, environ={"COLUMNS": str(width)}))
    assert not [line for line in stdout.getvalue().splitlines() if len(line) > width]


@pytest.mark.parametrize(
    "words",
    [
        ("postmortem", "{}"),
        ("resync", "{}"),
        ("baseline", "{}", "-o", "map.toml"),
        ("record", "--bus", "virtual:x", "-o", "{}", "--rotate", "1MB"),
    ],
)
def test_a_place_without_rights_is_a_sentence_and_nothing_else(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    locked = tmp_path / "locked" / "x.log"
    known = Path.stat

    def stat(path: Path, **how: bool) -> os.stat_result:
        if path == locked:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return known(path, **how)

    monkeypatch.setattr(Path, "stat", stat)
    status, out, err = run(*(word.format(locked) for word in words))
    assert (status, out) == (2, "")
    told = "expected a place that can be read and written, found no right to it. Name another, or check its rights."
    assert err == f"busdoc: {locked}: {told}\n"
