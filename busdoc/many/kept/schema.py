"""The tables of a fleet, column by column: what `DIR/tables` holds as Parquet, one folder a table.

Version 1. Columns may be added; none is renamed, and none changes its type or meaning. Each table is partitioned by
machine (`machine=NAME/`), so `machine` is a column of every table and stands in no file. `capture` is the number of a
line of the fleet, the same in all tables of one run.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["SCHEMA", "TABLES", "arrow_schema"]

SCHEMA = "busdoc-fleet/1"

TABLES: Mapping[str, Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "captures": {
            "capture": ("int64", "number of the line in this fleet"),
            "kind": ("string", "kind of machine; empty: nobody says it"),
            "address": ("string", "the capture file, folder or address; several with ; between"),
            "outcome": ("string", "judged, could not, failed; empty: not come to"),
            "sentence": ("string", "why it could not be judged"),
            "same_as": ("int64", "an earlier line with the same content: this one counts for nothing"),
            "content": ("string", "SHA-256 of the capture"),
            "verdict": ("string", "its JSON document, from the fleet's folder"),
            "report": ("string", "its own report, from the fleet's folder"),
            "hours": ("double", "hour meter at the start, from the manifest"),
            "changed": ("string", "day on which the machine was changed, from the manifest"),
            "covariates": ("string", "the manifest's other columns, a JSON object"),
            "headline": ("string", "the capture's headline"),
            "state": ("string", "the capture's conclusion, as in its JSON document"),
            "doubted": ("bool", "map or journal seem to be another machine's: it counts for nothing"),
            "trouble": ("bool", "the capture alone would end with exit status 1"),
            "part": ("string", "the part that its conclusion names"),
            "probability": ("double", "of that part"),
            "unix_clock": ("bool", "times are Unix times"),
            "start_s": ("double", "first frame, s"),
            "duration_s": ("double", "s"),
            "watched_h": ("double", "hours in which a dropout could have come and would have been seen"),
            "dropouts": ("int64", "dropouts and restarts that no recorded action explains"),
            "frames": ("int64", ""),
            "error_frames": ("int64", ""),
            "skipped_lines": ("int64", "lines of the capture that could not be used"),
            "mean_load": ("double", "share of the bit rate, of the busiest channel"),
            "peak_load": ("double", "likewise, of its busiest second"),
            "codes": ("int64", "fault codes that were active"),
            "warnings": ("string", "one a line"),
        },
        "controllers": {
            "capture": ("int64", ""),
            "kind": ("string", "kind of machine"),
            "controller": ("string", ""),
            "state": ("string", "at the end of the capture"),
            "watched_h": ("double", "hours in which it could have dropped out and would have been seen"),
            "dropouts": ("int64", "that no recorded action explains"),
            "restarts": ("int64", "all of them"),
            "lost_s": ("double", "s away in all"),
            "on_map": ("bool", ""),
            "feed": ("string", "what supplies it, by the map"),
            "segment": ("string", "the bus segment that it sits on, by the map"),
        },
        "parts": {
            "capture": ("int64", ""),
            "kind": ("string", "kind of machine"),
            "part": ("string", "a part of the map, or a controller"),
            "part_kind": ("string", "feed, segment, harness, …, or controller"),
            "tellable": ("bool", "dropouts alone can speak of it: a controller, or what several hang on, and not all"),
            "watched_h": ("double", "hours watched"),
            "dropouts": ("int64", "that speak of it"),
        },
        "dropouts": {
            "capture": ("int64", ""),
            "kind": ("string", "kind of machine"),
            "incident": ("int64", "its number in the capture's JSON document"),
            "incident_kind": ("string", ""),
            "controllers": ("string", "who fell, in their order, with ; between"),
            "onset_s": ("double", "first frame missed, s, as start_s"),
            "at_h": ("double", "hours since the capture began"),
            "lasted_s": ("double", "s until it was back, or until the end"),
            "back": ("bool", "it came back within the capture"),
            "ran_on": ("string", "restarted, kept running, unknown"),
            "part": ("string", "the part that it speaks of"),
            "part_kind": ("string", ""),
            "said_by": ("string", "verdict, group or map"),
        },
    }
)
"""Table -> column -> (Arrow type, what it holds)."""


def arrow_schema(table: str) -> "pa.Schema":
    """Give a table's schema, with its version and what each column holds in the metadata."""
    import pyarrow as pa

    types: dict[str, Any] = {
        "int64": pa.int64(),
        "double": pa.float64(),
        "bool": pa.bool_(),
        "string": pa.string(),
    }
    fields = [pa.field(name, types[kind], metadata={"holds": holds}) for name, (kind, holds) in TABLES[table].items()]
    return pa.schema(fields, metadata={"schema": SCHEMA})
