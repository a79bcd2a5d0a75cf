"""Tables on the disk: CSV, Parquet with each column's unit and meaning, and `tables.json`, which says both of all."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from busdoc.files.cells import as_cell
from busdoc.report.tables.columns import Column, ColumnType, Table, meaning

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

__all__ = [
    "DESCRIPTION",
    "TABLES_SCHEMA",
    "arrow_schema",
    "describe",
    "frame_as_cells",
    "timestamps",
    "write_description",
]

_MICROSECONDS = 1_000_000
_FURTHEST_S = 2.5e11
"""Beyond it, in the year 9892, there are no timestamps that every reader has (by definition of a bound)."""

TABLES_SCHEMA = "busdoc-tables/1"
DESCRIPTION = "tables.json"


def arrow_schema(table: Table) -> "pa.Schema":
    """Give the columns as Parquet keeps them: `unit` and `description` in each field's metadata."""
    import pyarrow as pa

    types: Mapping[ColumnType, Any] = {
        ColumnType.TEXT: pa.string(),
        ColumnType.INTEGER: pa.int64(),
        ColumnType.NUMBER: pa.float64(),
        ColumnType.BOOLEAN: pa.bool_(),
        ColumnType.TIMESTAMP: pa.timestamp("us", tz="UTC"),
    }
    return pa.schema(
        pa.field(
            column.name,
            types[column.type],
            metadata={"unit": column.unit, "description": meaning(table, column)},
        )
        for column in table.columns
    )


def timestamps(at_s: "np.ndarray[Any, np.dtype[np.float64]]", *, epoch: bool) -> "pd.Series[Any]":
    """Give times as timestamps of whole microseconds, which is what a float of Unix seconds still holds today.

    Parameters
    ----------
    at_s : (n,) s
    epoch : they are Unix times; else none of them is an instant of the calendar, and all are empty
    """
    import pandas as pd

    known = np.isfinite(at_s) & (np.abs(at_s) < _FURTHEST_S) & epoch
    whole = np.full(len(at_s), np.datetime64("NaT", "us"))
    whole[known] = np.rint(at_s[known] * _MICROSECONDS).astype(np.int64).astype("datetime64[us]")
    instants: pd.Series[Any] = pd.Series(whole).dt.tz_localize("UTC")
    return instants


def frame_as_cells(frame: "pd.DataFrame") -> "pd.DataFrame":
    """Give a frame as CSV may hold it: times as ISO 8601 has them, texts that a spreadsheet would compute as text."""
    import pandas as pd

    cells = {}
    for name in frame.columns:
        column = frame[name]
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            cells[name] = column.dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ").astype("object").where(column.notna(), None)
        elif column.dtype.kind not in "biuf":
            cells[name] = column.astype("object").map(lambda v: as_cell(v) if isinstance(v, str) else None)
    return frame.assign(**cells)


def describe(name: str, table: Table, n_rows: int, files: Sequence[Path]) -> Mapping[str, Any]:
    """Give the entry of one table in `tables.json`."""
    return {
        "name": name,
        "row": table.what,
        "rows": n_rows,
        "files": [file.name for file in files],
        "columns": [_column(table, column) for column in table.columns],
    }


def _column(table: Table, column: Column) -> Mapping[str, Any]:
    return {
        "name": column.name,
        "type": str(column.type),
        "unit": column.unit or None,
        "may_be_empty": column.may_be_empty,
        "what": meaning(table, column),
    }


def write_description(folder: Path, entries: Sequence[Mapping[str, Any]], *, epoch: bool, beside: bool = False) -> Path:
    """Write `tables.json`; give the path.

    Parameters
    ----------
    entries : of the tables, as `describe` gives them
    epoch : times are Unix times; else they count from the capture's own zero
    beside : tables that it tells already stay in it

    Raises
    ------
    OSError : it cannot be written
    """
    path = folder / DESCRIPTION
    names = {entry["name"] for entry in entries}
    kept = [entry for entry in _told_already(path) if entry["name"] not in names] if beside else []
    tree = {"schema": TABLES_SCHEMA, "clock": "unix" if epoch else "capture", "tables": [*kept, *entries]}
    path.write_text(json.dumps(tree, indent=1, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")
    return path


def _told_already(path: Path) -> Sequence[Mapping[str, Any]]:
    """Give the entries of a file of ours; none where it is no such file."""
    try:
        tree = json.loads(path.read_text(encoding="utf-8"))
        return tuple(entry for entry in tree["tables"] if "name" in entry) if tree["schema"] == TABLES_SCHEMA else ()
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ()
