"""Tables keep their shape: columns, types and units do not depend on what a result holds."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

import busdoc
from busdoc.analysis.result import Result
from busdoc.report.tables.columns import TABLES, ColumnType, meaning
from busdoc.report.tables.signal_tables import write_signal_tables
from tests.documents import held_to_schema
from tests.report import record_results as made

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"


@pytest.fixture(scope="module")
def results(sweeper: Result) -> dict[str, Result]:
    clean = made.clean()
    nothing = replace(clean, health=replace(clean.health, controllers=(), wire=()), actions=(), codes=())
    return {"clean": clean, "nothing": nothing, "intermittent": made.intermittent(), "sweeper": sweeper}


def test_types_do_not_change_with_content(results: dict[str, Result], tmp_path: Path) -> None:
    declared = {name: {one.name: one.dtype for one in table.columns} for name, table in TABLES.items()}
    for kind, result in results.items():
        frames = busdoc.tables(result)
        assert {name: dict(frame.dtypes.astype(str)) for name, frame in frames.items()} == declared, kind
        busdoc.write_tables(result, tmp_path / kind)
        for name, frame in frames.items():
            pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / kind / f"{name}.parquet"), frame)
            assert list(pd.read_csv(tmp_path / kind / f"{name}.csv")) == list(frame), (kind, name)


def test_a_healthy_recording_may_be_filtered_as_any_other() -> None:
    incidents = busdoc.tables(made.clean())["incidents"]
    assert not len(incidents[~incidents["expected"] & (incidents["kind"] == "dropout")])


def test_timestamps_with_their_zone_stand_beside_the_seconds(sweeper: Result) -> None:
    incidents = busdoc.tables(sweeper)["incidents"]
    first = incidents.iloc[0]
    assert str(first["onset_utc"].tz) == "UTC"
    assert first["onset_utc"].timestamp() == pytest.approx(first["onset_s"], abs=1e-6)
    assert first["onset_utc"].strftime("%Y-%m-%d") == "2026-03-02"
    known = incidents[incidents["back_s"].notna()]
    assert (known["back_utc"] - known["last_seen_utc"]).dt.total_seconds().to_numpy() == pytest.approx(
        known["duration_s"].to_numpy(), abs=2e-6
    )


def test_times_from_a_captures_own_zero_are_no_dates() -> None:
    clean = made.clean()
    frames = busdoc.tables(replace(clean, capture=replace(clean.capture, epoch=False)))
    assert frames["controllers"]["first_utc"].isna().all()
    assert str(frames["controllers"]["first_utc"].dtype) == "datetime64[us, UTC]"


def test_every_column_is_described_and_its_unit_is_in_the_parquet_file(sweeper: Result, tmp_path: Path) -> None:
    busdoc.write_tables(sweeper, tmp_path)
    write_signal_tables([SWEEPER / "capture.log.gz"], [DATABASE], ["VEP1.*", "HopperStatus.State"], tmp_path)
    told = held_to_schema((tmp_path / "tables.json").read_text(encoding="utf-8"), "busdoc-tables-1")
    assert told["clock"] == "unix"
    assert set(TABLES) < {table["name"] for table in told["tables"]}
    assert {name for table in told["tables"] for name in table["files"]} == {
        path.name for path in tmp_path.iterdir() if path.name != "tables.json"
    }
    units = {}
    for table in told["tables"]:
        kept = pq.read_table(tmp_path / f"{table['name']}.parquet")
        assert kept.num_rows == table["rows"]
        assert kept.column_names == [column["name"] for column in table["columns"]]
        for column in table["columns"]:
            metadata = kept.schema.field(column["name"]).metadata
            assert metadata[b"unit"].decode() == (column["unit"] or "")
            assert metadata[b"description"].decode() == column["what"] != ""
            units[f"{table['name']}.{column['name']}"] = column["unit"]
    assert units["incidents.duration_s"] == "s"
    assert units["incidents.kind"] is None
    assert "V" in {unit for name, unit in units.items() if name.startswith("signals-VEP1")}


@pytest.mark.parametrize("name", TABLES)
def test_a_time_and_its_timestamp_stand_side_by_side(name: str) -> None:
    table = TABLES[name]
    for before, column in zip(table.columns, table.columns[1:], strict=False):
        assert meaning(table, column)
        if column.type is ColumnType.TIMESTAMP:
            assert before.name.removesuffix("_s") == column.name.removesuffix("_utc")


def test_units_are_with_the_frames(sweeper: Result) -> None:
    assert busdoc.tables(sweeper)["incidents"].attrs["units"]["duration_s"] == "s"
