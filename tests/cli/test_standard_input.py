"""A capture from standard input, tables that appear all or not at all, and files that are the user's own."""

import gzip
import io
import json
import os
import stat
import sys
from pathlib import Path

import pytest

from busdoc.capture.formats.suffixes import READERS
from busdoc.capture.formats.write import write_capture
from busdoc.capture.source import open_capture
from busdoc.cli.given.standard_input import FORMATS
from busdoc.report.tables import signal_tables
from busdoc.report.tables.tables import is_table
from tests.typed import typed

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
CAPTURE, MAP = SWEEPER / "capture.log.gz", SWEEPER / "machine.toml"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"


def piped(monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))


def test_a_capture_from_standard_input_gives_the_same_verdict(monkeypatch: pytest.MonkeyPatch) -> None:
    status, expected, _ = typed("postmortem", CAPTURE, "--machine", MAP)
    piped(monkeypatch, gzip.decompress(CAPTURE.read_bytes()))
    assert typed("postmortem", "-", "--machine", MAP)[:2] == (status, expected)


TEXTS = {
    "log": b"(1.5) can0 123#00\n",
    "asc": b"base hex timestamps absolute\n1.5 1 123 Rx d 1 00\n",
    "trc": b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n1 1500.0 DT 1 0123 Rx - 1 00\n",
    "csv": b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.5,0x123,0,0,0,1,AA==\n",
}


def test_every_kind_that_is_read_may_come_from_it() -> None:
    assert {f".{name}" for name in FORMATS} == set(READERS)


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("packed", [False, True])
def test_each_text_is_read_under_its_format_and_known_by_how_it_begins(
    monkeypatch: pytest.MonkeyPatch, name: str, packed: bool
) -> None:
    text = gzip.compress(TEXTS[name]) if packed else TEXTS[name]
    for words in (("--format", name), ()):
        piped(monkeypatch, text)
        status, out, err = typed("postmortem", "-", *words)
        assert (status, err) == (0, "")
        assert "1 frame" in out


@pytest.mark.parametrize("suffix", [".blf", ".db"])
def test_a_binary_capture_is_known_by_how_it_begins(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, suffix: str
) -> None:
    log = open_capture([CAPTURE])
    write_capture(tmp_path / f"c{suffix}", log.blocks(), log.channels)
    piped(monkeypatch, (tmp_path / f"c{suffix}").read_bytes())
    by_pipe = json.loads(typed("postmortem", "-", "--json")[1])
    by_name = json.loads(typed("postmortem", tmp_path / f"c{suffix}", "--json")[1])
    assert by_pipe["incidents"] == by_name["incidents"]
    assert by_pipe["incidents"]


@pytest.mark.parametrize(("words", "said"), [(("-", "-"), "- given twice"), (("-",), "not one frame")])
def test_what_cannot_be_read_from_it_is_a_sentence(
    words: tuple[str, ...], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    piped(monkeypatch, b"junk\n")
    status, _, err = typed("postmortem", *words)
    assert status == 2
    assert said in err


def test_tables_of_an_older_recording_do_not_stay(tmp_path: Path) -> None:
    folder = tmp_path / "t"
    typed("postmortem", CAPTURE, "--machine", MAP, "--db", DATABASE, "--tables", folder, "--signals", "HopperStatus.*")
    (folder / "mine.csv").write_text("a\n", encoding="utf-8")
    before = {path.name for path in folder.iterdir()}
    assert any(name.startswith("signals-") for name in before)
    assert all(is_table(name) for name in before - {"mine.csv"})
    typed("postmortem", CAPTURE, "--tables", folder)
    after = {path.name for path in folder.iterdir()}
    assert "mine.csv" in after
    assert not any(name.startswith("signals-") for name in after)


def test_where_one_table_fails_none_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(signal_tables, "write_signal_tables", full)
    words = ("--machine", MAP, "--db", DATABASE, "--signals", "HopperStatus.*")
    status, _, err = typed("postmortem", CAPTURE, *words, "--tables", tmp_path / "t")
    assert status == 2
    assert "no space left on device" in err
    assert not (tmp_path / "t").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="rights come from the folder there")
@pytest.mark.parametrize(("words", "others"), [((), 0), (("--shared",), stat.S_IROTH)])
def test_what_is_recorded_is_the_users_own(words: tuple[str, ...], others: int, tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        status, _, _ = typed("record", "--bus", "virtual:private", "--for", "0.00003", "-o", tmp_path / "r", *words)
        assert (status, os.umask(0o022)) == (0, 0o022)
    finally:
        os.umask(before)
    made = [tmp_path / "r", *(tmp_path / "r").iterdir()]
    assert [path.stat().st_mode & stat.S_IROTH for path in made] == [others] * len(made)
