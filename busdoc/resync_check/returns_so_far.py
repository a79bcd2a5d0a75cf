"""What several calls of `baseline` learn together: periods, returns, their limits, and which frames not to expect.

A number in a map that follows from the returns that stand beside it was learnt, and is learnt on; any other was set by
hand, and stays.
"""

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from functools import reduce
from typing import Any

from busdoc.health.summary import Health
from busdoc.resync_check.baseline import Baseline, LearntController, with_returns
from busdoc.resync_check.periods import SeenPeriod
from busdoc.times import SECOND_NS

__all__ = [
    "RECORDINGS",
    "RETURNS",
    "UNSTEADY",
    "learnt_before",
    "learnt_on",
    "recording_mark",
    "with_earlier",
    "with_periods",
]

RETURNS = "returns_s"
"""The key of a controller in the map."""
RECORDINGS = "learnt_from"
"""The key of the machine: recordings that the map has learnt from, as `recording_mark` names them."""
UNSTEADY = "unsteady"
"""The key of the machine: frames that stopped, or kept no rhythm, while their controller went on."""
_MICROSECOND_NS = 1000


def with_periods(baseline: Baseline, healths: Sequence[Health], tables: Sequence[Mapping[str, Any]]) -> Baseline:
    """Give the same with each stream's period as all recordings showed it.

    Parameters
    ----------
    healths : of the recordings that the map has not learnt from yet
    tables : the map's `[[controller]]` tables, whose rows keep what earlier ones showed
    """
    shown: dict[tuple[str, str], list[SeenPeriod]] = {}
    for table in tables:
        for frame, seen in _learnt_rows(table).items():
            shown.setdefault((str(table.get("name")), frame), []).append(seen)
    for health in healths:
        for one in health.controllers:
            for stream in one.streams:
                if (now := SeenPeriod.in_recording(stream)) is not None:
                    shown.setdefault((one.name, str(stream.key)), []).append(now)
    controllers = []
    for learnt in baseline.controllers:
        streams = tuple(
            replace(stream, seen=reduce(SeenPeriod.plus, all_of_it))
            if (all_of_it := shown.get((learnt.name, str(stream.key))))
            else stream
            for stream in learnt.streams
        )
        slowest_ns = max(stream.period_ns for stream in streams)
        controllers.append(with_returns(replace(learnt, streams=streams), learnt.returns_ns, slowest_ns))
    return replace(baseline, controllers=tuple(controllers))


def with_earlier(
    baseline: Baseline, tables: Sequence[Mapping[str, Any]], unsteady: Set[str] = frozenset()
) -> tuple[LearntController, ...]:
    """Give the controllers with the returns that a map keeps of earlier calls put before their own.

    Parameters
    ----------
    tables : the map's `[[controller]]` tables
    unsteady : frames that are not expected, whatever these say
    """
    by_name = {table.get("name"): table for table in tables}
    found = []
    for one in baseline.controllers:
        returns_ns = (*_kept_ns(by_name.get(one.name, {})), *_written_ns(one.returns_ns))
        table = by_name.get(one.name, {})
        learnt_on = _learnt_rows(table).keys() & {str(stream.key) for stream in one.streams}
        slowest_ns = max(_slowest_ns(one), _slowest_of(table, {*unsteady, *learnt_on}))
        found.append(with_returns(one, returns_ns, slowest_ns))
    return tuple(found)


def recording_mark(health: Health) -> str:
    """Name a recording by what does not change when it is copied or renamed."""
    return f"{health.frames} frames in {(health.until_ns - health.start_ns) / SECOND_NS:.6f} s"


def learnt_before(
    one: LearntController, table: Mapping[str, Any], unsteady: Set[str] = frozenset()
) -> LearntController | None:
    """Give what an earlier call had learnt of a controller; None where the map keeps no returns of it.

    Parameters
    ----------
    unsteady : frames that were not expected then
    """
    kept_ns = _kept_ns(table)
    return with_returns(one, kept_ns, _slowest_of(table, unsteady) or _slowest_ns(one)) if kept_ns else None


def learnt_on(before: Mapping[str, str], table: Mapping[str, Any], key: str) -> bool:
    """Tell whether a number of the map is the one that had been learnt.

    Parameters
    ----------
    before : what an earlier call had written, by key
    """
    there = table.get(key)
    if key == RETURNS:
        return True
    return key in before and isinstance(there, float | int) and abs(float(before[key]) - float(there)) < 0.005


def _learnt_rows(table: Mapping[str, Any]) -> dict[str, SeenPeriod]:
    """Give, by frame, the rows of a table that more recordings may change."""
    rows = [row for row in table.get("expects", []) if isinstance(row, dict)]
    return {str(row.get("frame")): seen for row in rows if (seen := SeenPeriod.of_row(row)) is not None}


def _kept_ns(table: Mapping[str, Any]) -> tuple[int, ...]:
    kept = table.get(RETURNS, [])
    return _written_ns([round(float(value) * SECOND_NS) for value in kept]) if isinstance(kept, list) else ()


def _written_ns(returns_ns: Sequence[int]) -> tuple[int, ...]:
    """Round to the microseconds that are written."""
    return tuple(round(value / _MICROSECOND_NS) * _MICROSECOND_NS for value in returns_ns)


def _slowest_ns(one: LearntController) -> int:
    return max((stream.period_ns for stream in one.streams), default=0)


def _slowest_of(table: Mapping[str, Any], unsteady: Set[str] = frozenset()) -> int:
    """Give the longest period that a table expects, ns."""
    periods = [
        float(entry["period_s"])
        for entry in table.get("expects", [])
        if isinstance(entry, dict)
        and isinstance(entry.get("period_s"), float | int)
        and str(entry.get("frame")) not in unsteady
    ]
    return round(max(periods, default=0.0) * SECOND_NS)
