"""The result as tables: one pandas frame each, with the same columns and types whatever the result holds."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from busdoc.analysis.result import Result
from busdoc.errors import InputError, found_instead
from busdoc.report.json.document import document
from busdoc.report.tables.columns import TABLES, Column, ColumnType, Table
from busdoc.report.tables.files import (
    DESCRIPTION,
    arrow_schema,
    describe,
    frame_as_cells,
    timestamps,
    write_description,
)
from busdoc.times import SECOND_NS, seconds

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["is_table", "tables", "write_tables"]

_OF_A_LOSS = ("last_seen_s", "onset_s", "back_s", "steady_s", "duration_s", "ran_on", "p_restarted")


def tables(result: Result) -> "dict[str, pd.DataFrame]":
    """Give every table by name; times are float seconds, as in the JSON document, with a timestamp in UTC beside each.

    `incidents` has a row for each controller of each incident, so that a filter by controller works without unpacking.
    A table without rows has its columns and types all the same; each frame's `attrs["units"]` gives units by column.
    """
    tree = document(result)
    rows: dict[str, Sequence[Mapping[str, Any]]] = {
        "controllers": _controllers(tree),
        "streams": _streams(tree),
        "incidents": _incidents(tree),
        "actions": tree["actions"],
        "codes": _joined(tree["codes"], drop=("spans",)),
        "trials": _joined(tree.get("trials", ())),
        "suspects": _joined(tree.get("suspects", ())),
        "groups": _groups(tree),
        "antecedents": _antecedents(tree),
        "covariates": _joined(tree.get("covariates", ())),
        "signals": _signals(result),
    }
    epoch = result.capture.epoch
    frames = {}
    for name, table in TABLES.items():
        values = _load(result) if name == "load" else _by_column(table, rows[name])
        frames[name] = _frame(table, values, epoch=epoch)
    return frames


def is_table(name: str) -> bool:
    """Whether a file has the name of one that `write_tables` or `write_signal_tables` writes.

    >>> is_table("incidents.csv"), is_table("signals-HopperStatus-can0-18FF3131.parquet"), is_table("notes.csv")
    (True, True, False)
    """
    stem, _, suffix = name.rpartition(".")
    is_one = suffix in ("csv", "parquet") and (stem in TABLES or stem.startswith("signals-"))
    return is_one or name == DESCRIPTION


def write_tables(result: Result, folder: Path) -> tuple[Path, ...]:
    """Write each table as `NAME.csv` (UTF-8) and `NAME.parquet`, and `tables.json`, which tells them; give the paths.

    In CSV a text that a spreadsheet would compute is written as `busdoc.files.cells` says; Parquet has it as it is.

    Raises
    ------
    InputError : the folder cannot be made or written
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    written: list[Path] = []
    entries = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in tables(result).items():
            csv, parquet = folder / f"{name}.csv", folder / f"{name}.parquet"
            frame_as_cells(frame).to_csv(csv, index=False, encoding="utf-8", lineterminator="\n")
            kept = pa.Table.from_pandas(frame, schema=arrow_schema(TABLES[name]), preserve_index=False)
            pq.write_table(kept, parquet)
            written += [csv, parquet]
            entries.append(describe(name, TABLES[name], len(frame), (csv, parquet)))
        written.append(write_description(folder, entries, epoch=result.capture.epoch))
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error
    return tuple(written)


def _by_column(table: Table, rows: Sequence[Mapping[str, Any]]) -> dict[str, Sequence[Any]]:
    """Give the values of each column; a key that no column is declared for is a mistake of ours."""
    names = {column.name for column in table.columns}
    for row in rows:
        assert set(row) <= names, sorted(set(row) - names)
    return {
        column.name: [row[column.name] for row in rows]
        for column in table.columns
        if column.type is not ColumnType.TIMESTAMP
    }


def _frame(table: Table, values: Mapping[str, Sequence[Any]], *, epoch: bool) -> "pd.DataFrame":
    import pandas as pd

    series: dict[str, pd.Series[Any]] = {}
    before: Column | None = None
    for column in table.columns:
        if column.type is ColumnType.TIMESTAMP:
            assert before is not None
            series[column.name] = timestamps(series[before.name].to_numpy(), epoch=epoch)
        else:
            series[column.name] = pd.Series(values[column.name], dtype=column.dtype)
        before = column
    frame = pd.DataFrame(series)
    frame.attrs["units"] = {column.name: column.unit for column in table.columns if column.unit}
    return frame


def _joined(rows: Sequence[Mapping[str, Any]], drop: tuple[str, ...] = ()) -> list[dict[str, Any]]:
    """Turn lists of words into one cell each, which a spreadsheet can show."""
    return [
        {
            key: "; ".join(map(str, value)) if isinstance(value, list) else value
            for key, value in row.items()
            if key not in drop
        }
        for row in rows
    ]


def _controllers(tree: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for controller in tree["controllers"]:
        row = {k: v for k, v in controller.items() if k not in ("streams", "absences", "identity")}
        rows.append(row | controller["identity"] | {"streams": len(controller["streams"])})
    return rows


def _streams(tree: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"controller": controller["name"], **stream}
        for controller in tree["controllers"]
        for stream in controller["streams"]
    ]


def _incidents(tree: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for incident in tree["incidents"]:
        because = incident["because"] or {"action": None, "probability": None, "lag_s": None}
        shared = {
            "n": incident["n"],
            "kind": incident["kind"],
            "expected": incident["expected"],
            "because_action": because["action"],
            "because_probability": because["probability"],
            "because_lag_s": because["lag_s"],
            "spontaneous": incident["spontaneous"],
            "code": incident["code"],
        }
        members = incident["losses"] or [
            {key: incident[key] for key in _OF_A_LOSS} | {"controller": name, "evidence": []}
            for name in incident["controllers"] or [""]
        ]
        rows += [shared | {**member, "evidence": "; ".join(member["evidence"])} for member in members]
    return rows


def _groups(tree: dict[str, Any]) -> list[dict[str, Any]]:
    """Give a row for each cause that a group may have."""
    return [
        {
            "group": n,
            "controllers": "; ".join(group["controllers"]),
            "others": "; ".join(group["others"]),
            **{key: group[key] for key in ("dropouts", "restarted", "kept_running", "together_by_chance")},
            **{f"cause_{key}": cause[key] for key in ("kind", "part", "probability", "words")},
        }
        for n, group in enumerate(tree.get("groups", ()), start=1)
        for cause in group["causes"]
    ]


def _antecedents(tree: dict[str, Any]) -> list[dict[str, Any]]:
    """Give a row for each kind of event; the quartiles of its lag become three columns."""
    found = tree.get("antecedents", ())
    rows = _joined(found, drop=("lag_s",))
    for row, one in zip(rows, found, strict=True):
        quartiles = one["lag_s"] or (None, None, None)
        row |= dict(zip(("lag_low_s", "lag_median_s", "lag_high_s"), quartiles, strict=True))
    return rows


def _load(result: Result) -> dict[str, Sequence[Any]]:
    """Give the seconds of all channels, one channel after the other."""
    wires = result.health.wire
    columns: dict[str, list[Any]] = {
        "channel": [np.full(len(wire.second_ns), wire.channel) for wire in wires],
        "second_s": [wire.second_ns / SECOND_NS for wire in wires],
        "frames": [wire.frames for wire in wires],
        "error_frames": [wire.error_frames for wire in wires],
        "bits": [wire.bits for wire in wires],
        "load": [wire.load for wire in wires],
    }
    return {name: np.concatenate(parts) if parts else [] for name, parts in columns.items()}  # type: ignore[misc]


def _signals(result: Result) -> list[dict[str, Any]]:
    return [
        {
            "channel": summary.channel,
            "id": f"0x{summary.id:08X}" if summary.extended else f"0x{summary.id:03X}",
            "signal": summary.name,
            "unit": summary.signal.unit,
            "frames": summary.frames,
            "valid": summary.valid,
            "not_available": summary.not_available,
            "error": summary.error,
            "minimum": summary.minimum,
            "maximum": summary.maximum,
            "mean": summary.mean,
            "first_value": summary.first_value,
            "last_value": summary.last_value,
            "first_s": None if summary.first_ns is None else seconds(summary.first_ns),
            "last_s": None if summary.last_ns is None else seconds(summary.last_ns),
            "changes": summary.n_changes,
        }
        for summary in result.signal_summaries
    ]
