"""The results as Parquet: each table a folder, partitioned by machine, written one machine at a time."""

import json
import os
import shutil
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from busdoc.errors import InputError, found_instead
from busdoc.many.kept.schema import TABLES, arrow_schema
from busdoc.many.kept.store import FleetStore, Listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["read_table", "usual_kind", "write_tables"]

_FOLDER = "tables"
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


def usual_kind(lines: Sequence[Listed]) -> str:
    """Give the kind of a machine by its lines: what most say, the manifest or the map's name; empty: none says it.

    A map that seems to be another machine's says nothing.
    """
    told = Counter(kind for line in lines if (kind := line.capture.kind or _name_on_map(line)))
    return told.most_common(1)[0][0] if told else ""


def _name_on_map(line: Listed) -> str:
    told = {} if line.body is None else line.body["capture"]
    return "" if not told or told["doubted"] else str(told["map_name"])


def _write_machine(stage: Path, machine: str, lines: list[Listed]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    usual = usual_kind(lines)
    for name, columns in TABLES.items():
        rows = [row for line in lines for row in _rows(name, line, usual)]
        target = stage / name / f"machine={quote(machine, safe=' ')}"
        target.mkdir(parents=True, exist_ok=True)
        data = {column: [row.get(column) for row in rows] for column in columns}
        pq.write_table(pa.table(data, schema=arrow_schema(name)), target / "part-0.parquet")


def _rows(table: str, line: Listed, usual: str) -> Iterator[Mapping[str, Any]]:
    common = {"capture": line.number, "kind": line.capture.kind or usual or None}
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
