"""What several calls of `baseline` learn together: returns, the limits that follow, and which frames not to expect.

A number in a map that follows from the returns that stand beside it was learnt, and is learnt on; any other was set by
hand, and stays.
"""

from collections.abc import Mapping, Sequence, Set
from typing import Any

from busdoc.health.summary import Health
from busdoc.resync_check.baseline import Baseline, LearntController, with_returns
from busdoc.times import SECOND_NS

__all__ = ["RECORDINGS", "RETURNS", "UNSTEADY", "learnt_before", "learnt_on", "recording_mark", "with_earlier"]

RETURNS = "returns_s"
"""The key of a controller in the map."""
RECORDINGS = "learnt_from"
"""The key of the machine: recordings whose returns the map has, as `recording_mark` names them."""
UNSTEADY = "unsteady"
"""The key of the machine: frames that stopped, or kept no rhythm, while their controller went on."""
_MICROSECOND_NS = 1000


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
        slowest_ns = max(_slowest_ns(one), _slowest_of(by_name.get(one.name, {}), unsteady))
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
