"""Which tables there are, and each table's columns: name, type, unit. Types do not depend on what a result holds.

What a column means is said by the schema of the JSON document, where the column is a key of it; the others say it here.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["TABLES", "Column", "ColumnType", "Table", "instant", "meaning", "unit_of"]


class ColumnType(StrEnum):
    """Types, by the names that `tables.json` gives them."""

    TEXT = "text"
    INTEGER = "integer"
    NUMBER = "number"
    BOOLEAN = "boolean"
    TIMESTAMP = "timestamp"


@dataclass(frozen=True, slots=True)
class Column:
    """One column."""

    name: str
    type: ColumnType
    may_be_empty: bool = False
    what: str = ""
    """Empty: the schema says it."""
    measured_in: str = ""
    """Its unit, where the end of its name does not say it."""

    @property
    def unit(self) -> str:
        """Its unit; empty where it has none."""
        return self.measured_in or (unit_of(self.name) if self.type is ColumnType.NUMBER else "")

    @property
    def dtype(self) -> str:
        """The pandas type: one that holds empty cells only where there may be some."""
        match self.type:
            case ColumnType.TEXT:
                return "string"
            case ColumnType.INTEGER:
                return "Int64" if self.may_be_empty else "int64"
            case ColumnType.NUMBER:
                return "float64"
            case ColumnType.BOOLEAN:
                return "boolean" if self.may_be_empty else "bool"
            case ColumnType.TIMESTAMP:
                return "datetime64[us, UTC]"


@dataclass(frozen=True, slots=True)
class Table:
    """One table."""

    what: str
    """What a row is."""
    columns: tuple[Column, ...]
    described_by: tuple[str, ...] = ()
    """The definitions of the schema that its columns are keys of, the nearest first."""


def unit_of(name: str) -> str:
    """Give the unit that the end of a column's name says.

    >>> unit_of("onset_s"), unit_of("per_hour"), unit_of("load")
    ('s', '1/h', '')
    """
    return "s" if name.endswith("_s") else "1/h" if "per_hour" in name else ""


def _text(*names: str, empty: bool = False, what: str = "") -> tuple[Column, ...]:
    return tuple(Column(name, ColumnType.TEXT, empty, what) for name in names)


def _whole(*names: str, empty: bool = False, what: str = "") -> tuple[Column, ...]:
    return tuple(Column(name, ColumnType.INTEGER, empty, what) for name in names)


def _number(*names: str, what: str = "") -> tuple[Column, ...]:
    return tuple(Column(name, ColumnType.NUMBER, may_be_empty=True, what=what) for name in names)


def _yes_no(*names: str, empty: bool = False, what: str = "") -> tuple[Column, ...]:
    return tuple(Column(name, ColumnType.BOOLEAN, empty, what) for name in names)


def instant(name: str, what: str = "") -> tuple[Column, Column]:
    """Give the column of a time in seconds, and that of the timestamp beside it."""
    said = f"{name} as a timestamp in UTC; empty where the capture's clock is its own"
    return (
        Column(name, ColumnType.NUMBER, may_be_empty=True, what=what),
        Column(f"{name.removesuffix('_s')}_utc", ColumnType.TIMESTAMP, may_be_empty=True, what=said),
    )


def _at(*names: str, what: str = "") -> tuple[Column, ...]:
    return tuple(column for name in names for column in instant(name, what))


TABLES: Mapping[str, Table] = {
    "controllers": Table(
        "a controller",
        (
            *_text("name"),
            *_whole("channel", empty=True),
            *_whole("frames"),
            *_text("state"),
            *_at("first_s", "last_s"),
            *_number("present_s", "lost_s"),
            *_whole("dropouts", "restarts"),
            *_whole("address", empty=True),
            *_text("says", "can_name", empty=True),
            *_whole("node_id", empty=True),
            *_text("sender", empty=True),
            *_whole("streams", what="how many streams it sends"),
        ),
        ("controller", "controller.identity"),
    ),
    "streams": Table(
        "a stream of a controller",
        (
            *_text("controller", what="whose"),
            *_text("id"),
            *_whole("channel"),
            *_yes_no("extended"),
            *_whole("frames"),
            *_yes_no("cyclic"),
            *_number("period_s", "jitter_s", "deadline_s"),
            *_text("period_from"),
        ),
        ("stream",),
    ),
    "incidents": Table(
        "a controller in an incident",
        (
            *_whole("n"),
            *_text("kind"),
            *_yes_no("expected"),
            *_whole("because_action", empty=True, what="the action it answers to: actions.n; empty: none of them"),
            *_number("because_probability", what="that it was this action"),
            *_number("because_lag_s", what="onset minus the time written down; negative: written down late"),
            *_number("spontaneous"),
            *_text("code", empty=True),
            *_text("controller", what="its name; empty where the incident is nobody's"),
            *_at("last_seen_s", "onset_s", "back_s", "steady_s"),
            *_number("duration_s"),
            *_text("ran_on"),
            *_number("p_restarted"),
            *_text("evidence"),
        ),
        ("loss", "incident"),
    ),
    "actions": Table(
        "an action of the journal, or one that the traffic looks like",
        (
            *_whole("n"),
            *_at("time_s"),
            *_number("uncertainty_s"),
            *_text("action"),
            *_text("part", "into", empty=True),
            *_text("origin"),
            *_text("note", "by", empty=True),
        ),
        ("action",),
    ),
    "codes": Table(
        "a fault code of a controller",
        (
            *_text("controller", "kind", "code"),
            *_text("text", empty=True),
            *_whole("occurrences"),
            *_at("first_s", "last_s"),
            *_yes_no("active"),
            *_whole("controller_count", empty=True),
            *_text("points_at"),
        ),
        ("code",),
    ),
    "load": Table(
        "a second of a channel",
        (
            *_whole("channel", what="channel number"),
            *_at("second_s", what="its start"),
            *_whole("frames", what="data and remote frames"),
            *_whole("error_frames", what="error frames"),
            *_whole("bits", what="bits on the wire"),
            *_number("load", what="share of the bit rate, 0 to 1; empty where the bit rate is not known"),
        ),
    ),
    "trials": Table(
        "a trial of the isolation",
        (
            *_at("from_s", "to_s"),
            *_text("controller", empty=True),
            *_text("exposed", "outcome"),
            *_number("shown_after_s"),
        ),
        ("trial",),
    ),
    "suspects": Table(
        "a suspected part, the likeliest first",
        (*_text("part"), *_number("probability"), *_yes_no("cleared"), *_text("why")),
        ("suspect",),
    ),
    "groups": Table(
        "a cause that a group of controllers falling together may have",
        (
            *_whole("group", what="number of the group, from 1"),
            *_text("controllers", "others"),
            *_whole("dropouts", "restarted", "kept_running"),
            *_number("together_by_chance"),
            *_text("cause_kind", what="kind of the cause"),
            *_text("cause_part", empty=True, what="the part, where it is one"),
            *_number("cause_probability", what="of this cause"),
            *_text("cause_words", what="the cause in words"),
        ),
        ("group",),
    ),
    "antecedents": Table(
        "a kind of event held against the dropouts",
        (
            *_text("name", "source"),
            *_text("controller", "signal", empty=True),
            *_text("dropouts_of", "aliases"),
            *_yes_no("found"),
            *_number("p", "p_holm", "q_bh", "window_s"),
            *_whole("dropouts", "preceded"),
            *_number("precursor_rate", "by_chance"),
            *_whole("events", "followed"),
            *_number("trigger_rate", "trigger_by_chance", "explained", "explained_low", "explained_high"),
            *_number("lag_low_s", what="lower quartile of the lag from event to dropout"),
            *_number("lag_median_s", what="median of the lag from event to dropout"),
            *_number("lag_high_s", what="upper quartile of the lag from event to dropout"),
            *_yes_no("order_unclear"),
            *_text("beside", empty=True),
            *_text("words"),
        ),
        ("antecedent",),
    ),
    "covariates": Table(
        "a measured value held against the dropouts",
        (
            *_text("name"),
            *_text("signal", "unit", empty=True),
            *_text("dropouts_of"),
            *_yes_no("found"),
            *_number("p", "p_holm", "q_bh"),
            *_text("feature"),
            *_text("direction", empty=True),
            *_number("window_s"),
            *_whole("dropouts"),
            *_number("separates", "separates_low", "separates_high"),
            *_number("threshold", "threshold_low", "threshold_high"),
            *_whole("beyond", empty=True),
            *_number("share_beyond", "explained"),
            *_text("words"),
        ),
        ("covariate",),
    ),
    "signals": Table(
        "a signal of a stream; its values are in the unit that the row names",
        (
            *_whole("channel", what="channel number"),
            *_text("id", what="identifier of the stream"),
            *_text("signal", what="Message.Signal, as the database names it"),
            *_text("unit", what="unit of minimum, maximum, mean, first and last value, as the database gives it"),
            *_whole("frames", what="data frames of the stream"),
            *_whole("valid", what="frames with a valid value"),
            *_whole("not_available", what="frames that say 'not available'"),
            *_whole("error", what="frames that say 'error'"),
            *_number("minimum", "maximum", "mean", what="of the valid values"),
            *_number("first_value", "last_value", what="valid value"),
            *_at("first_s", "last_s", what="of the valid values"),
            *_whole("changes", what="how often the raw number was another than before"),
        ),
    ),
}
"""Every table that is written, whether it has rows or not."""


def meaning(table: Table, column: Column) -> str:
    """Say in words what a column holds."""
    if column.what:
        return column.what
    for name in table.described_by:
        found = _properties(name).get(column.name)
        if found is not None:
            return str(found["description"])
    raise KeyError(column.name)


@cache
def _properties(dotted: str) -> Mapping[str, Any]:
    """Give the keys that a definition of the schema describes, or one of its keys."""
    name, *inner = dotted.split(".")
    described: Any = _schema()["$defs"][name]
    for key in inner:
        described = described["properties"][key]
    found: Mapping[str, Any] = described["properties"]
    return found


@cache
def _schema() -> Mapping[str, Any]:
    text = files("busdoc.report.json").joinpath("schema/busdoc-verdict-1.json").read_text(encoding="utf-8")
    loaded: Mapping[str, Any] = json.loads(text)
    return loaded
