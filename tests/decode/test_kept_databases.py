"""What is kept of parsed databases is what parsing gives, and nothing depends on its being there."""

import os
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import pytest

from busdoc.decode.database.database import load_databases
from busdoc.decode.database.file import read_database_file
from busdoc.decode.database.kept import kept, kept_path
from busdoc.errors import InputError

TEXT = """VERSION ""

BU_: PUMP

BO_ 2566844672 Pressure: 8 PUMP
 SG_ Which M : 0|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ Bar m0 : 8|16@1- (0.1,-40.5) [-10|1e300] "bar" Vector__XXX
 SG_ State m2 : 24|3@1+ (1,0) [0|0] "" Vector__XXX
 SG_ TooLong : 0|200@1+ (1,0) [0|0] "" Vector__XXX

BO_ 385 Plain: 8 PUMP
 SG_ Speed : 7|16@0+ (1,0) [0|0] "rpm" Vector__XXX

CM_ SG_ 385 Speed "of the \u00fcbersetzung";
VAL_ 2566844672 State 0 "shut" 1 "open" 6 "error" 7 "not available" ;
"""
RAW = TEXT.encode("cp1252")


@pytest.fixture
def database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a database file with a cache folder of its own, not made yet."""
    monkeypatch.setenv("BUSDOC_CACHE", str(tmp_path / "cache"))
    path = tmp_path / "pump.dbc"
    path.write_bytes(RAW)
    return path


def place_of(path: Path) -> Path:
    place = kept_path(path.name, path.read_bytes())
    assert place is not None
    return place


def parsed(path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    with monkeypatch.context() as without:
        without.setenv("BUSDOC_CACHE", "")
        return asdict(read_database_file(path))


def examples() -> list[Path]:
    return sorted((Path(__file__).parents[2] / "dbc_examples").glob("*.dbc"))


def test_what_is_kept_is_what_was_parsed(database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = parsed(database, monkeypatch)
    assert "TooLong has 200 bits" in str(expected["warnings"])
    assert asdict(read_database_file(database)) == expected
    found = kept(place_of(database))
    assert found is not None
    assert asdict(found) == expected
    assert asdict(read_database_file(database)) == expected


@pytest.mark.parametrize("path", examples(), ids=lambda path: path.stem)
def test_the_example_databases_come_back_as_they_were(
    path: Path, database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = parsed(path, monkeypatch)
    read_database_file(path)
    found = kept(place_of(path))
    assert found is not None
    assert asdict(found) == expected


def test_a_database_that_is_kept_is_read_without_the_library(database: Path) -> None:
    program = (
        "import sys\nfrom pathlib import Path\nfrom busdoc.decode.database.database import load_databases\n"
        f"print(load_databases([Path({str(database)!r})]).messages[1].signals[0].comment)\n"
        "print('cantools' in sys.modules, sorted({'can', 'pandas', 'asammdf', 'numba'} & set(sys.modules)))\n"
    )
    read_database_file(database)
    environment = {**os.environ, "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, encoding="utf-8", check=False, env=environment
    )
    assert done.stdout.splitlines() == ["of the übersetzung", "False []"], done.stderr


def test_a_changed_byte_and_another_name_are_other_databases(database: Path) -> None:
    first = place_of(database)
    read_database_file(database)
    database.write_bytes(RAW.replace(b'"rpm"', b'"1/s"'))
    assert place_of(database) != first
    assert [signal.unit for signal in read_database_file(database).messages[1].signals] == ["1/s"]
    renamed = database.rename(database.with_name("other.dbc"))
    assert {message.file for message in read_database_file(renamed).messages} == {"other.dbc"}


def test_a_kept_database_is_bound_to_the_channel_that_is_asked_for(database: Path) -> None:
    for channel in (None, 1, "can2"):
        bound = load_databases([database if channel is None else (channel, database)])
        assert {message.channel for message in bound.messages} == {channel}


@pytest.mark.parametrize(
    "content",
    [b"", b"\x00\xff", b"[]", b"null", b'{"messages": []}', b'{"messages": [{}], "nodes": [], "warnings": []}'],
)
def test_what_is_broken_is_parsed_again_and_replaced(
    content: bytes, database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = parsed(database, monkeypatch)
    read_database_file(database)
    place_of(database).write_bytes(content)
    assert kept(place_of(database)) is None
    assert asdict(read_database_file(database)) == expected
    assert kept(place_of(database)) is not None


def test_a_folder_that_cannot_be_made_is_no_error(database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = parsed(database, monkeypatch)
    (database.parent / "cache").write_text("a file where the folder would be", encoding="utf-8")
    assert asdict(read_database_file(database)) == expected


def test_an_empty_variable_keeps_nothing(database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BUSDOC_CACHE", "")
    assert kept_path(database.name, RAW) is None
    read_database_file(database)
    assert sorted(database.parent.iterdir()) == [database]


def test_the_oldest_files_go(database: Path) -> None:
    read_database_file(database)
    folder = place_of(database).parent
    for age_s in range(80):
        old = folder / f"{age_s:02d}.json"
        old.touch()
        os.utime(old, (1e9 - age_s, 1e9 - age_s))
    database.write_bytes(RAW + b"\n")
    read_database_file(database)
    left = sorted(path.name for path in folder.iterdir())
    assert len(left) == 64
    assert place_of(database).name in left
    assert "61.json" in left
    assert "62.json" not in left


def test_a_file_that_cannot_be_used_is_refused_each_time(database: Path) -> None:
    database.write_text("BO_ nothing of the kind", encoding="ascii")
    for _ in range(2):
        with pytest.raises(InputError, match=r"pump\.dbc, line 1"):
            read_database_file(database)


@pytest.mark.parametrize(
    ("system", "variable", "value", "expected"),
    [
        ("linux", "XDG_CACHE_HOME", "/elsewhere", "/elsewhere/busdoc/databases"),
        ("linux", "XDG_CACHE_HOME", "relative", "/people/me/.cache/busdoc/databases"),
        ("linux", "XDG_CACHE_HOME", "", "/people/me/.cache/busdoc/databases"),
        ("darwin", "XDG_CACHE_HOME", "/elsewhere", "/people/me/Library/Caches/busdoc/databases"),
        ("win32", "LOCALAPPDATA", "/local", "/local/busdoc/cache/databases"),
        ("win32", "LOCALAPPDATA", "", "/people/me/AppData/Local/busdoc/cache/databases"),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="the expected paths are written as other systems write them")
def test_each_system_keeps_them_where_its_programs_do(
    system: str, variable: str, value: str, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8; Apple's File System Programming Guide; Windows' known folders."""
    monkeypatch.delenv("BUSDOC_CACHE")
    monkeypatch.setattr(sys, "platform", system)
    monkeypatch.setattr(Path, "home", lambda: Path("/people/me"))
    monkeypatch.setenv(variable, value)
    place = kept_path("pump.dbc", RAW)
    assert place is not None
    assert place.parent == Path(expected)
