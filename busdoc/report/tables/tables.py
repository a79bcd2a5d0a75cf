"""The result as tables: one pandas frame each, written as CSV and Parquet with the units in the column names."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from busdoc.analysis.result import Result
from busdoc.errors import InputError, found_instead
from busdoc.files.cells import as_cell
from busdoc.report.json.document import document
from busdoc.times import SECOND_NS, seconds

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["frame_as_cells", "is_table", "tables", "write_tables"]

_NAMES = frozenset(
    (
        *("controllers", "streams", "incidents", "actions", "codes", "load", "trials", "suspects"),
        *("groups", "antecedents", "covariates", "signals"),
    )
)


def tables(result: Result) -> "dict[str, pd.DataFrame]":
    """Give every table that the result holds by name; times are float seconds, as in the JSON document.

    `incidents` has a row for each controller of each incident, so that a filter by controller works without unpacking.
    """
    import pandas as pd

    tree = document(result)
    frames = {
        "controllers": pd.DataFrame(_controllers(tree)),
        "streams": pd.DataFrame(_streams(tree)),
        "incidents": pd.DataFrame(_incidents(tree)),
        "actions": pd.DataFrame(tree["actions"]),
        "codes": pd.DataFrame(_joined(tree["codes"], drop=("spans",))),
        "load": pd.concat([_load(wire) for wire in result.health.wire], ignore_index=True)
        if result.health.wire
        else pd.DataFrame(),
    }
    if result.isolation is not None:
        frames["trials"] = pd.DataFrame(_joined(tree["trials"]))
        frames["suspects"] = pd.DataFrame(_joined(tree["suspects"]))
    if result.intermittent is not None:
        frames["groups"] = pd.DataFrame(_groups(tree))
        frames["antecedents"] = pd.DataFrame(_antecedents(tree))
        frames["covariates"] = pd.DataFrame(_joined(tree["covariates"]))
    if result.signals:
        frames["signals"] = pd.DataFrame(_signals(result))
    return frames


def is_table(name: str) -> bool:
    """Whether a file has the name of one that `write_tables` or `write_signal_tables` writes.

    >>> is_table("incidents.csv"), is_table("signals-HopperStatus-can0-18FF3131.parquet"), is_table("notes.csv")
    (True, True, False)
    """
    stem, _, suffix = name.rpartition(".")
    return suffix in ("csv", "parquet") and (stem in _NAMES or stem.startswith("signals-"))


def write_tables(result: Result, folder: Path) -> tuple[Path, ...]:
    """Write each table as `NAME.csv` (UTF-8) and `NAME.parquet`; give the paths.

    In CSV a text that a spreadsheet would compute is written as `busdoc.files.cells` says; Parquet has it as it is.

    Raises
    ------
    InputError : the folder cannot be made or written
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in tables(result).items():
            csv, parquet = folder / f"{name}.csv", folder / f"{name}.parquet"
            frame_as_cells(frame).to_csv(csv, index=False, encoding="utf-8", lineterminator="\n")
            frame.to_parquet(parquet, index=False)
            written += [csv, parquet]
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error
    return tuple(written)


def frame_as_cells(frame: "pd.DataFrame") -> "pd.DataFrame":
    """Give a frame with its texts as CSV may hold them."""
    texts = [name for name in frame.columns if frame[name].dtype.kind not in "biuf"]
    return frame.assign(**{name: frame[name].map(lambda v: as_cell(v) if isinstance(v, str) else v) for name in texts})


def _joined(rows: list[dict[str, Any]], drop: tuple[str, ...] = ()) -> list[dict[str, Any]]:
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
            {key: incident[key] for key in ("last_seen_s", "onset_s", "back_s", "steady_s", "ran_on", "p_restarted")}
            | {"controller": name, "evidence": []}
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
        for n, group in enumerate(tree["groups"], start=1)
        for cause in group["causes"]
    ]


def _antecedents(tree: dict[str, Any]) -> list[dict[str, Any]]:
    """Give a row for each kind of event; the quartiles of its lag become three columns."""
    rows = _joined(tree["antecedents"], drop=("lag_s",))
    for row, one in zip(rows, tree["antecedents"], strict=True):
        quartiles = one["lag_s"] or (None, None, None)
        row |= dict(zip(("lag_low_s", "lag_median_s", "lag_high_s"), quartiles, strict=True))
    return rows


def _load(wire: Any) -> "pd.DataFrame":
    import pandas as pd

    return pd.DataFrame(
        {
            "channel": np.full(len(wire.second_ns), wire.channel),
            "second_s": wire.second_ns / SECOND_NS,
            "frames": wire.frames,
            "error_frames": wire.error_frames,
            "bits": wire.bits,
            "load": wire.load,
        }
    )


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
        for summary in result.signals
    ]
