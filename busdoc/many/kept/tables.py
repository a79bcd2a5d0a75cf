"""The results as Parquet: each table a folder, partitioned by machine, written one machine at a time."""

import json
import os
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from busdoc.errors import InputError, found_instead
from busdoc.many.kept.schema import TABLES, arrow_schema
from busdoc.many.kept.store import FleetStore, Listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["kind_of", "read_table", "write_tables"]

_FOLDER = "tables"
_NO_KIND = "machine"
_JOINED = {"controllers": "; ", "warnings": "\n"}


def write_tables(store: FleetStore) -> Path:
    """Write every table anew, in the place of those of the run before; give their folder.

    Raises
    ------
    InputError : the folder cannot be written
    """
    folder = store.folder / _FOLDER
    stage, old = folder.with_name(".tables.part"), folder.with_name(".tables.old")
    try:
        for left in (stage, old):
            shutil.rmtree(left, ignore_errors=True)
        for machine in store.machines():
            _write_machine(stage, machine, list(store.lines(machine)))
        if folder.exists():
            os.replace(folder, old)
        if stage.exists():
            os.replace(stage, folder)
        shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Make room there."
        ) from error
    return folder


def read_table(folder: Path, name: str) -> "pd.DataFrame":
    """Read one table back, with `machine` as its first column; rows ascend by `capture`.

    Parameters
    ----------
    folder : that `write_tables` gave
    """
    import pyarrow as pa
    import pyarrow.dataset as ds

    # a machine that is called 0017 is no number
    machine = ds.partitioning(pa.schema([("machine", pa.string())]), flavor="hive")
    table = ds.dataset(folder / name, format="parquet", partitioning=machine).to_table(
        columns=["machine", *TABLES[name]]
    )
    frame: pd.DataFrame = table.to_pandas()
    return frame.sort_values("capture", kind="stable", ignore_index=True)


def kind_of(line: Listed) -> str:
    """Give the kind of machine of a line: the manifest's, else the name on its map."""
    told = "" if line.body is None else str(line.body["capture"]["map_name"])
    return line.capture.kind or told or _NO_KIND


def _write_machine(stage: Path, machine: str, lines: list[Listed]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    for name, columns in TABLES.items():
        rows = [row for line in lines for row in _rows(name, line)]
        target = stage / name / f"machine={quote(machine, safe=' ')}"
        target.mkdir(parents=True, exist_ok=True)
        data = {column: [row.get(column) for row in rows] for column in columns}
        pq.write_table(pa.table(data, schema=arrow_schema(name)), target / "part-0.parquet")


def _rows(table: str, line: Listed) -> Iterator[Mapping[str, Any]]:
    common = {"capture": line.number, "kind": kind_of(line)}
    if table == "captures":
        told = {} if line.body is None else line.body["capture"]
        yield {
            **_texts(told),
            **common,
            "address": line.capture.address,
            "outcome": "" if line.outcome is None else str(line.outcome),
            "sentence": line.sentence,
            "same_as": line.same_as,
            "content": line.content,
            "verdict": line.verdict,
            "report": line.report,
            "hours": line.capture.hours,
            "changed": line.capture.changed or None,
            "covariates": json.dumps(dict(line.capture.covariates), ensure_ascii=False),
        }
        return
    for row in () if line.body is None else line.body[table]:
        if table == "dropouts":
            yield {**_texts(row), **common, "incident": row["n"], "incident_kind": row["kind"]}
        elif table == "parts":
            yield {**row, **common, "part_kind": row["kind"]}
        else:
            yield {**row, **common}


def _texts(row: Mapping[str, Any]) -> dict[str, Any]:
    """Turn lists of words into one cell each."""
    return {key: _JOINED[key].join(value) if isinstance(value, list) else value for key, value in row.items()}
