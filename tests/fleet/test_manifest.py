"""The manifest: what its cells mean, and what is said of one that cannot be used."""

from pathlib import Path

import pytest

from busdoc.errors import InputError
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.intake.manifest import is_manifest, read_manifest

HEAD = "machine,file,kind,map,database,journal,hours,changed,model year"


def written(folder: Path, *lines: str, encoding: str = "utf-8") -> Path:
    path = folder / "park.csv"
    path.write_bytes("\n".join(lines).encode(encoding))
    return path


def test_every_column_is_read_and_paths_count_from_the_manifest(tmp_path: Path) -> None:
    line = "KM 7,a.log;b.log,Sweeper,maps/k.toml,0=x.dbc;y.dbc,done.csv,4711.5,2026-03-31,2019"
    (found,) = read_manifest(written(tmp_path, HEAD, line))
    assert found == FleetCapture(
        files=(str(tmp_path / "a.log"), str(tmp_path / "b.log")),
        machine="KM 7",
        kind="Sweeper",
        machine_file=str(tmp_path / "maps" / "k.toml"),
        databases=((0, str(tmp_path / "x.dbc")), (None, str(tmp_path / "y.dbc"))),
        journal=str(tmp_path / "done.csv"),
        hours=4711.5,
        changed="2026-03-31",
        covariates=(("model year", "2019"),),
    )
    assert FleetCapture.from_text(found.as_text()) == found


def test_a_spreadsheets_semicolons_decimal_commas_and_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = written(tmp_path, "Machine;File;Hours", "7;a.log;12,5", "", "8;s3://park/b.log;", encoding="utf-8-sig")
    assert is_manifest(path)
    found = list(read_manifest(path))
    assert [(one.machine, one.hours) for one in found] == [("7", 12.5), ("8", None)]
    assert found[1].files == ("s3://park/b.log",)


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (["machin,file", "7,a.log"], 'line 1: expected the column "machine"'),
        (["machine,file,file", "7,a.log,b.log"], '"file" twice'),
        (["machine,file,", "7,a.log,x"], "none for column 3"),
        (["machine,file", ",a.log"], "line 2: expected the machine of this capture, found an empty cell"),
        (["machine,file", "7,a.log,b.log"], "line 2: expected 2 cells, found 3"),
        (["machine,file,hours", "7,a.log,-3"], 'line 2: expected hours, a number from 0 on, found "-3"'),
        (["machine,file,changed", "7,a.log,31.3.2026"], 'found "31.3.2026". Write for example 2026-03-31'),
        (["machine,file", '7,"a.log'], "line 2: expected CSV"),
        (["machine,file,kind", "7,a.log,sweeper", "7,b.log,", "7,c.log,crane"], "line 4: expected one kind for 7"),
        (["machine,file,changed", "7,a.log,2026-03-31", "7,b.log,2026-04-01"], "line 3: expected one day of change"),
    ],
)
def test_a_manifest_that_cannot_be_used_is_refused_with_its_line(tmp_path: Path, lines: list[str], told: str) -> None:
    with pytest.raises(InputError) as caught:
        list(read_manifest(written(tmp_path, *lines)))
    assert told in str(caught.value)


def test_a_capture_of_the_same_suffix_is_no_manifest(tmp_path: Path) -> None:
    assert not is_manifest(written(tmp_path, "timestamp,arbitration_id,extended,remote,error,dlc,data"))
