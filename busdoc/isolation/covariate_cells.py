"""Which stretches of time the values before dropouts, and those of the rest of the time, are taken from.

The time before each dropout is cut so that windows of a few lengths end where the loss was, and the whole record so
that windows of the same lengths end at evenly spread places. A window is a run of whole cells of time.

A controller falls silent somewhere between its last frame and the first one missed, so the last frame is no random
moment: windows that ended there would hold one sample too many of its own signals. Each window ends as long before the
last frame as a random moment of a cycle would, so that windows before dropouts hold as many samples as any others.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.isolation.dropouts import Dropouts

__all__ = ["FINE_NS", "CellPlan", "ends_of", "plan_cells"]

_NS = 10**9
FINE_NS = 400_000_000
"""The shortest window: a few periods of most messages."""
_WIDE_NS = (2 * _NS, 10 * _NS, 60 * _NS)
_PERIODS_S = (1, 2, 5, 10, 20, 30, 60)
_MOST_BYTES = 160 << 20
_BYTES_A_CELL = 12
_MOST_PLACES = 5_000
_GOLDEN = 0x9E3779B97F4A7C15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellPlan:
    """Cells of time, and the windows that are put together from them."""

    edges_ns: Int64Array
    """(c + 1,) ascending."""
    places_ns: Int64Array
    """(m,) where the windows of the whole record end, evenly spread."""
    period_ns: int
    """From one place to the next."""
    windows_ns: tuple[int, ...]
    """How long the windows are, ascending."""

    def window_cells(self, end_ns: Int64Array, window_ns: int) -> tuple[Int64Array, Int64Array]:
        """(n,), (n,) Give the first cell of each window and the one after its last; empty beyond the record.

        Parameters
        ----------
        end_ns : (n,) places, or ends of `ends_of`
        """
        first = np.searchsorted(self.edges_ns, end_ns - window_ns)
        return first, np.searchsorted(self.edges_ns, end_ns)

    def is_watched(self, dropouts: Dropouts, end_ns: Int64Array, window_ns: int) -> BoolArray:
        """(n,) Mark the windows that lie wholly in one stretch of what was watched."""
        watched = dropouts.watched
        begun_ns = np.maximum(end_ns - window_ns, self.edges_ns[0])
        k = np.searchsorted(watched.from_ns, begun_ns, side="right") - 1
        to_ns = np.append(watched.to_ns, np.iinfo(np.int64).min)
        return np.asarray((end_ns - window_ns >= self.edges_ns[0]) & (end_ns <= to_ns[k]))


def ends_of(dropouts: Dropouts) -> Int64Array:
    """(n,) Give where the windows before each dropout end: up to a cycle before the last frame, the same every time."""
    mixed = (dropouts.last_seen_ns - dropouts.zero_ns).astype(np.uint64) * np.uint64(_GOLDEN)
    share = (mixed >> np.uint64(33)).astype(np.float64) / float(1 << 31)
    bracket_ns = np.minimum(dropouts.onset_ns - dropouts.last_seen_ns, _NS).astype(np.float64)
    return np.asarray(dropouts.last_seen_ns - (share * bracket_ns).astype(np.int64), np.int64)


def plan_cells(start_ns: int, until_ns: int, dropouts: Sequence[Dropouts], n_series: int) -> CellPlan:
    """Cut the record so that the cells of `n_series` signals take no more than some 160 MB.

    Parameters
    ----------
    start_ns, until_ns : the record
    dropouts : those that the values are held against
    """
    length_ns = max(until_ns - start_ns, 1)
    ends_ns = np.unique(np.concatenate([np.empty(0, np.int64), *(ends_of(one) for one in dropouts)]))
    most_places = min(_MOST_PLACES, _MOST_BYTES // (_BYTES_A_CELL * max(n_series, 1)) // 2)
    most_places = max(most_places - 5 * len(ends_ns), 100)
    fitting = [s for s in _PERIODS_S if length_ns // (s * _NS) <= most_places]
    period_ns = (fitting[0] if fitting else -(-length_ns // (most_places * _NS))) * _NS
    windows_ns = tuple(sorted({FINE_NS, *(max(period_ns, -(-w // period_ns) * period_ns) for w in _WIDE_NS)}))
    places_ns = start_ns + period_ns * np.arange(1, length_ns // period_ns + 1, dtype=np.int64)
    cuts = [places_ns, places_ns - FINE_NS, ends_ns, *(ends_ns - w for w in windows_ns)]
    edges_ns = np.unique(np.concatenate((np.array([start_ns], np.int64), *cuts)))
    return CellPlan(
        edges_ns=edges_ns[edges_ns >= start_ns],
        places_ns=places_ns,
        period_ns=period_ns,
        windows_ns=windows_ns,
    )
