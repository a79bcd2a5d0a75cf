"""The result as tables: one pandas frame each, written as CSV and Parquet with the units in the column names."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from busdoc.analysis.result import Result
from busdoc.errors import InputError, found_instead
from busdoc.report.json.document import document
from busdoc.times import SECOND_NS, seconds

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["tables", "write_tables"]


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


def write_tables(result: Result, folder: Path) -> tuple[Path, ...]:
    """Write each table as `NAME.csv` (UTF-8) and `NAME.parquet`; give the paths.

    Raises
    ------
    InputError : the folder cannot be made or written
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in tables(result).items():
            csv, parquet = folder / f"{name}.csv", folder / f"{name}.parquet"
            frame.to_csv(csv, index=False, encoding="utf-8", lineterminator="\n")
            frame.to_parquet(parquet, index=False)
            written += [csv, parquet]
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error
    return tuple(written)


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
