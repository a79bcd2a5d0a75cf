"""Files that are given, cells that a spreadsheet opens, files that appear together, streams kept on disk."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.errors import InputError, guarded
from busdoc.files.cells import as_cell, from_cell
from busdoc.files.given import no_plain_file, read_given
from busdoc.files.spool import spool
from busdoc.files.staged import staged_folder


@given(text=st.text())
def test_a_cell_reads_back_as_it_was_and_is_never_computed(text: str) -> None:
    # OWASP, "CSV Injection": the signs that spreadsheets take for the beginning of a formula
    assert from_cell(as_cell(text)) == text
    assert not as_cell(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize(("name", "what"), [(".", "a folder"), ("nothing here", "nothing by this name")])
def test_what_is_no_file_is_refused_in_a_sentence(name: str, what: str) -> None:
    with pytest.raises(InputError, match=f"expected a map, found {what}"):
        read_given(Path(name), "a map", most_bytes=10, advice="")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "map.toml")
    with pytest.raises(InputError, match="found a pipe"):
        read_given(tmp_path / "map.toml", "a map", most_bytes=10, advice="")


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs a device without end")
def test_a_link_to_a_device_does_not_fill_the_memory(tmp_path: Path) -> None:
    (tmp_path / "after.json").symlink_to("/dev/zero")
    assert no_plain_file(tmp_path / "after.json") == "a device"


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(bytes(11))
    with pytest.raises(InputError, match="more than 0 kB"):
        read_given(tmp_path / "a", "a map", most_bytes=10, advice="")
    assert read_given(tmp_path / "a", "a map", most_bytes=11, advice="") == bytes(11)


def test_files_appear_together_and_those_of_the_time_before_go(tmp_path: Path) -> None:
    (tmp_path / "t").mkdir()
    for name in ("old.csv", "kept.txt"):
        (tmp_path / "t" / name).write_text("before", encoding="utf-8")
    with staged_folder(tmp_path / "t", lambda name: name.endswith(".csv")) as stage:
        (stage / "new.csv").write_text("now", encoding="utf-8")
        assert sorted(path.name for path in (tmp_path / "t").iterdir() if path.is_file()) == ["kept.txt", "old.csv"]
    assert sorted(path.name for path in (tmp_path / "t").iterdir()) == ["kept.txt", "new.csv"]


@pytest.mark.parametrize("was_there", [True, False])
def test_where_one_file_fails_the_folder_is_as_it_was(tmp_path: Path, was_there: bool) -> None:
    folder = tmp_path / "t"
    if was_there:
        folder.mkdir()
        (folder / "old.csv").write_text("before", encoding="utf-8")

    def write() -> None:
        with staged_folder(folder, lambda _: True) as stage:
            (stage / "new.csv").write_text("half", encoding="utf-8")
            raise OSError("the disk is full")

    with pytest.raises(OSError, match="full"):
        write()
    assert folder.exists() == was_there
    assert not was_there or [path.name for path in folder.iterdir()] == ["old.csv"]


def test_a_stream_that_goes_on_beyond_any_capture_is_cut_off(tmp_path: Path) -> None:
    assert spool([b"ab", b"c"], tmp_path / "a", "standard input") == 3
    assert (tmp_path / "a").read_bytes() == b"abc"
    with pytest.raises(InputError, match="inflates to more than"):
        spool(iter(lambda: bytes(1000), b""), tmp_path / "b", "x.mf4.gz", most_bytes=5000)


def test_what_a_parser_raises_becomes_a_sentence_and_what_the_disk_says_does_not() -> None:
    said = r"a.kcd: expected a map, found damage \(division by zero\). Copy it."
    with pytest.raises(InputError, match=said), guarded("a.kcd", "a map", "Copy it."):
        raise ZeroDivisionError("division by zero")
    with pytest.raises(PermissionError), guarded("a", "b", "c"):
        raise PermissionError


def test_a_sentence_quotes_no_more_than_a_person_reads() -> None:
    text = str(InputError("a.toml", "a number", "9" * 5000, "Shorten it."))
    assert len(text) < 500
    assert text.endswith("Shorten it.")
