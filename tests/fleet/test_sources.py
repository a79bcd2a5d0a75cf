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
    assert [one.journal for one in found] == [None, "memory://park-listed/km-2/actions.csv"]


def test_a_map_and_databases_elsewhere_are_taken_from_the_nearest_folder_as_here(tmp_path: Path) -> None:
    import fsspec

    files = fsspec.filesystem("memory")
    names = ("machine.toml", "all.dbc", "km-1/a.log", "km-2/machine.toml", "km-2/own.kcd", "km-2/day/b.log")
    for name in names:
        files.pipe(f"/park-beside/{name}", b"x")
        path = tmp_path / "park-beside" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    there = {one.files[0]: (one.machine_file, one.databases) for one in captures_of(["memory://park-beside"])}
    here = {one.files[0]: (one.machine_file, one.databases) for one in captures_of([str(tmp_path / "park-beside")])}
    top = "memory://park-beside"
    assert there == {
        f"{top}/km-1/a.log": (f"{top}/machine.toml", ((None, f"{top}/all.dbc"),)),
        f"{top}/km-2/day/b.log": (f"{top}/km-2/machine.toml", ((None, f"{top}/km-2/own.kcd"),)),
    }
    assert [str(value).replace(top, str(tmp_path / "park-beside")) for value in there.values()] == [
        str(value) for value in here.values()
    ]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (
            b"machin,file\n7,a.log\n",
            'line 1: expected the column "machine", found machin, file. Rename "machin".',
        ),
        (b"Maschine;Datei\n7;a.log\n", 'expected the column "machine", found maschine, datei.'),
        (b"", 'expected the column "machine", found none'),
        (b"\xff\xfem\x00a\x00", "a file that is no UTF-8 text. Save it as UTF-8."),
    ],
)
def test_a_table_that_is_neither_a_manifest_nor_a_capture_is_told_what_a_manifest_needs(
    tmp_path: Path, content: bytes, told: str
) -> None:
    (tmp_path / "park.csv").write_bytes(content)
    with pytest.raises(InputError) as caught:
        list(captures_of([str(tmp_path / "park.csv")]))
    assert told in str(caught.value)


def test_a_capture_as_a_table_is_a_capture_and_a_manifest_with_tabs_a_manifest(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x1,0,0,0,0,\n")
    (tmp_path / "park.csv").write_bytes(b"Machine\tFile\n7\ta.csv\n")
    (capture,) = captures_of([str(tmp_path / "a.csv")])
    (listed,) = captures_of([str(tmp_path / "park.csv")])
    assert (capture.files, listed.machine) == (listed.files, "7")


@pytest.mark.parametrize(
    "source", ["not-there.log", "no-*.log", "empty", "memory://nothing-here", "nonsense://place/x.log"]
)
def test_a_source_that_is_not_there_is_one_sentence(tmp_path: Path, source: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError) as caught:
        list(captures_of([source if "://" in source else str(tmp_path / source)]))
    assert "\n" not in str(caught.value)
