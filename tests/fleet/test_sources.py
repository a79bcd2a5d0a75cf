"""What folders, names with stars, sessions and addresses stand for."""

from pathlib import Path

import pytest

from busdoc.errors import InputError
from busdoc.many.intake.sources import captures_of
from tests.truth.fleet_captures import KINDS, write_capture

SWEEPER = KINDS[0]


def park(folder: Path) -> Path:
    write_capture(folder / "km-1" / "monday.log", SWEEPER, 2.0, (), seed=1)
    write_capture(folder / "km-1" / "tuesday.log", SWEEPER, 2.0, (), seed=2)
    write_capture(folder / "km-2" / "monday.log", SWEEPER, 2.0, (), seed=3)
    (folder / "km-2" / "machine.toml").unlink()
    (folder / "km-2" / "actions.csv").write_text("time,action,part\n", encoding="utf-8")
    (folder / "km-2" / "notes.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    (folder / "park.dbc").write_text('VERSION ""\n', encoding="utf-8")
    return folder


def test_a_folder_gives_each_capture_below_it_with_what_lies_beside_and_above(tmp_path: Path) -> None:
    found = list(captures_of([str(park(tmp_path))], machine_file="other.toml"))
    told = [(one.machine, Path(one.files[0]).name) for one in found]
    assert told == [("km-1", "monday.log"), ("km-1", "tuesday.log"), ("km-2", "monday.log")]
    assert [one.machine_file for one in found] == [str(tmp_path / "km-1" / "machine.toml")] * 2 + ["other.toml"]
    assert {one.databases for one in found} == {((None, str(tmp_path / "park.dbc")),)}
    assert [one.journal for one in found] == [None, None, str(tmp_path / "km-2" / "actions.csv")]


def test_names_with_stars_are_spread_out_in_order(tmp_path: Path) -> None:
    found = captures_of([str(park(tmp_path) / "*" / "monday.log")])
    assert [one.machine for one in found] == ["km-1", "km-2"]


def test_a_session_below_a_folder_is_one_recording(tmp_path: Path) -> None:
    session = tmp_path / "km-3" / "visit"
    write_capture(session / "recording" / "recording-0001.log", SWEEPER, 2.0, (), seed=1)
    (session / "session.lock").write_bytes(b"")
    (found,) = captures_of([str(tmp_path)])
    assert (found.files, found.machine) == ((str(session),), "km-3")


def test_an_address_elsewhere_is_listed_through_fsspec(tmp_path: Path) -> None:
    import fsspec

    files = fsspec.filesystem("memory")
    for name in ("km-1/a.log", "km-2/b.log.gz", "km-2/actions.csv", "notes.txt"):
        files.pipe(f"/park-listed/{name}", b"x")
    found = list(captures_of(["memory://park-listed"]))
    assert [(one.machine, one.files) for one in found] == [
        ("km-1", ("memory://park-listed/km-1/a.log",)),
        ("km-2", ("memory://park-listed/km-2/b.log.gz",)),
    ]


@pytest.mark.parametrize(
    "source", ["not-there.log", "no-*.log", "empty", "memory://nothing-here", "nonsense://place/x.log"]
)
def test_a_source_that_is_not_there_is_one_sentence(tmp_path: Path, source: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError) as caught:
        list(captures_of([source if "://" in source else str(tmp_path / source)]))
    assert "\n" not in str(caught.value)
