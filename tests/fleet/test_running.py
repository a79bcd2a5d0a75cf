"""A run: each capture as by itself, a bad one is a row, what is done is not done again, a copy counts once."""

import io
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.errors import InputError
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.intake.sources import captures_of
from busdoc.many.judged import Judged, Outcome, Reports, Task
from busdoc.many.kept.schema import SCHEMA, TABLES
from busdoc.many.kept.store import FleetStore
from busdoc.many.kept.tables import write_tables
from busdoc.many.work.engine import ClusterEnded, Here
from busdoc.many.work.judging import judge
from busdoc.many.work.running import list_captures, run
from busdoc.report.json.document import document, print_document
from tests.truth.fleet_captures import KINDS, Drop, map_text, write_capture


class Counting(Here):
    """An engine that remembers what it was given, and may end before all is done."""

    def __init__(self, ends_after: int | None = None) -> None:
        self.given: list[str] = []
        self._ends_after = ends_after

    def run(self, tasks: Iterator[Task]) -> Iterator[Judged]:
        for task in tasks:
            if self._ends_after is not None and len(self.given) >= self._ends_after:
                raise ClusterEnded("the scheduler of the cluster ended")
            self.given.append(Path(task.capture.files[0]).name)
            yield judge(task)


@pytest.fixture
def park(tmp_path: Path) -> Path:
    folder = tmp_path / "park"
    both = KINDS[0].below("fuse-2")
    write_capture(folder / "km-1" / "a.log", KINDS[0], 30.0, [Drop(at_s=12.0, controllers=both)], seed=1)
    write_capture(folder / "km-1" / "b.log", KINDS[0], 30.0, [], seed=2, start_s=86_400.0)
    write_capture(folder / "km-2" / "c.log", KINDS[0], 30.0, [], seed=3)
    return folder


def done(folder: Path, park: Path, *, engine: Here | None = None, reports: Reports = Reports.NONE) -> list[str]:
    """Run over the park; give what was judged anew."""
    engine = Counting() if engine is None else engine
    store = FleetStore(folder)
    try:
        list_captures(store, captures_of([str(park)]))
        run(store, engine, reports=reports)
        write_tables(store)
    finally:
        store.close()
    return engine.given if isinstance(engine, Counting) else []


def table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / "tables" / name)


def test_the_json_of_each_capture_is_that_of_the_post_mortem_to_the_byte(tmp_path: Path, park: Path) -> None:
    done(tmp_path / "out", park)
    captures = table(tmp_path / "out", "captures")
    assert len(captures) == 3
    for row in captures.itertuples():
        alone = io.StringIO()
        path = Path(str(row.address))
        print_document(document(postmortem([path], machine_file=path.parent / "machine.toml")), alone)
        assert (tmp_path / "out" / str(row.verdict)).read_bytes() == alone.getvalue().encode()


def test_the_tables_hold_the_dropout_its_exposure_and_its_part(tmp_path: Path, park: Path) -> None:
    done(tmp_path / "out", park)
    (dropout,) = table(tmp_path / "out", "dropouts").itertuples()
    assert (dropout.machine, dropout.part, dropout.part_kind, dropout.ran_on) == (
        "km-1",
        "fuse-2",
        "feed",
        "restarted",
    )
    controllers = table(tmp_path / "out", "controllers")
    dropped = controllers[controllers["dropouts"] > 0]
    assert sorted(zip(dropped["machine"], dropped["controller"], dropped["dropouts"], strict=True)) == [
        ("km-1", "broom", 1),
        ("km-1", "water", 1),
    ]
    hours = controllers.set_index(["capture", "controller"])["watched_h"] * 3600.0
    assert hours[1, "engine"] == pytest.approx(30.0, abs=1.1)
    assert 18.0 < hours[1, "broom"] < 25.0  # away for four seconds, and it takes a few until it has settled


def test_what_is_done_is_not_done_again_whatever_it_is_called_now(tmp_path: Path, park: Path) -> None:
    out = tmp_path / "out"
    with pytest.raises(ClusterEnded, match="2 of 3 captures are done and kept"):
        done(out, park, engine=Counting(ends_after=2))
    assert done(out, park) == ["c.log"]
    assert done(out, park) == []
    (park / "km-2" / "c.log").rename(park / "km-2" / "d.log")
    assert done(out, park) == []
    (park / "km-2" / "machine.toml").open("a", encoding="utf-8").write("# another map\n")
    assert done(out, park) == ["d.log"]
    assert done(out, park, reports=Reports.TROUBLE) == ["a.log"]


def test_a_run_that_ended_gives_the_tables_of_one_that_did_not(tmp_path: Path, park: Path) -> None:
    with pytest.raises(ClusterEnded):
        done(tmp_path / "ended", park, engine=Counting(ends_after=1))
    done(tmp_path / "ended", park)
    done(tmp_path / "whole", park)
    for name in TABLES:
        pd.testing.assert_frame_equal(table(tmp_path / "ended", name), table(tmp_path / "whole", name))


def test_a_bad_capture_is_a_row_with_its_sentence(tmp_path: Path, park: Path) -> None:
    (park / "km-1" / "empty.log").write_bytes(b"")
    (park / "km-1" / "noise.log.gz").write_bytes(b"\x1f\x8bnot gzip at all")
    (park / "km-1" / "wrong.blf").write_bytes(b"LOGX" + bytes(200))
    (park / "km-2" / "machine.toml").write_text("[machine\n", encoding="utf-8")
    done(tmp_path / "out", park)
    captures = table(tmp_path / "out", "captures").set_index("capture")
    bad = captures[captures["outcome"] == "could not"]
    assert sorted(Path(str(address)).name for address in bad["address"]) == [
        "c.log",
        "empty.log",
        "noise.log.gz",
        "wrong.blf",
    ]
    assert all("expected" in str(sentence) for sentence in bad["sentence"])
    assert bad["watched_h"].isna().all()


def test_a_capture_that_is_gone_is_a_row_and_is_tried_again(tmp_path: Path, park: Path) -> None:
    manifest = tmp_path / "park.csv"
    manifest.write_text("machine,file\nkm-1,park/km-1/a.log\nkm-9,late.log\n", encoding="utf-8")
    out = tmp_path / "out"
    assert done(out, manifest) == ["a.log", "late.log"]
    assert "nothing by this name" in str(table(out, "captures").set_index("machine")["sentence"]["km-9"])
    (park / "km-1" / "b.log").rename(tmp_path / "late.log")
    done(out, manifest)
    assert set(table(out, "captures")["outcome"]) == {"judged"}


def test_the_same_capture_under_two_names_counts_once(tmp_path: Path, park: Path) -> None:
    (park / "km-1" / "copy.log").write_bytes((park / "km-1" / "a.log").read_bytes())
    done(tmp_path / "out", park)
    captures = table(tmp_path / "out", "captures")
    same = captures[captures["same_as"].notna()]
    assert [(Path(str(a)).name, int(n)) for a, n in zip(same["address"], same["same_as"], strict=True)] == [
        ("copy.log", 1)
    ]


def test_a_copy_that_was_judged_with_another_machines_map_takes_nothing_from_the_one_with_the_right_map(
    tmp_path: Path, park: Path
) -> None:
    (tmp_path / "crane.toml").write_text(map_text(KINDS[1]), encoding="utf-8")
    manifest = tmp_path / "park.csv"
    rows = ("km-1,park/km-1/a.log,crane.toml", "km-1,park/km-1/a.log,park/km-1/machine.toml")
    for order in (rows, rows[::-1]):
        manifest.write_text("\n".join(("machine,file,map", *order)), encoding="utf-8")
        done(tmp_path / "out", manifest)
        captures = table(tmp_path / "out", "captures")
        counts = captures[captures["same_as"].isna() & ~captures["doubted"].astype(bool)]
        assert counts["dropouts"].tolist() == [1]


def test_a_capture_from_elsewhere_is_judged_as_it_would_be_here(tmp_path: Path, park: Path) -> None:
    import fsspec

    files = fsspec.filesystem("memory")
    for name in ("a.log", "machine.toml"):
        files.pipe(f"/park-judged/{name}", (park / "km-1" / name).read_bytes())
    capture = FleetCapture(
        files=("memory://park-judged/a.log",), machine="km-1", machine_file="memory://park-judged/machine.toml"
    )
    here = FleetCapture(
        files=(str(park / "km-1" / "a.log"),), machine="km-1", machine_file=str(park / "km-1" / "machine.toml")
    )
    there, local = (judge(Task(number=1, capture=one, reports=Reports.NONE)) for one in (capture, here))
    assert there.outcome is Outcome.JUDGED
    assert there.document == local.document.replace(str(park / "km-1" / "a.log"), "a.log")
    assert (there.body, there.content) == (local.body, local.content)


def test_what_is_wrong_with_a_capture_or_a_map_from_elsewhere_names_its_address(park: Path) -> None:
    import fsspec

    files = fsspec.filesystem("memory")
    files.pipe("/park-wrong/noise.log.gz", b"\x1f\x8bnot gzip at all")
    files.pipe("/park-wrong/a.log", (park / "km-1" / "a.log").read_bytes())
    files.pipe("/park-wrong/machine.toml", b"[machine\n")
    capture = FleetCapture(files=("memory://park-wrong/noise.log.gz",), machine="km-1")
    mapped = FleetCapture(
        files=("memory://park-wrong/a.log",), machine="km-1", machine_file="memory://park-wrong/machine.toml"
    )
    noise, no_map = (judge(Task(number=1, capture=one, reports=Reports.NONE)).sentence for one in (capture, mapped))
    assert noise.startswith("memory://park-wrong/noise.log.gz: expected a .log capture")
    assert no_map.startswith("memory://park-wrong/machine.toml, line 1: expected")


def test_every_column_that_is_written_is_documented_and_typed(tmp_path: Path, park: Path) -> None:
    import pyarrow.parquet as pq

    done(tmp_path / "out", park)
    for name, columns in TABLES.items():
        (path, *_) = sorted((tmp_path / "out" / "tables" / name).rglob("*.parquet"))
        schema = pq.read_schema(path)
        assert schema.names == list(columns)
        assert schema.metadata[b"schema"].decode() == SCHEMA


def test_a_folder_with_other_files_is_left_alone(tmp_path: Path, park: Path) -> None:
    with pytest.raises(InputError, match="a folder with other files"):
        FleetStore(park)


def test_two_runs_in_one_folder_are_kept_apart(tmp_path: Path) -> None:
    store = FleetStore(tmp_path / "out")
    with pytest.raises(InputError, match="a run in it"):
        FleetStore(tmp_path / "out")
    store.close()
