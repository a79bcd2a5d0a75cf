"""What is looked at of a measured value: its extremes, its level and its slope in windows of several lengths.

Each feature has one number for every place of the record, and one for every dropout, taken in the same way.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from busdoc.arrays import BoolArray, Float32Array, Int64Array
from busdoc.decode.signals.cells import CellSeries
from busdoc.intermittent.dropouts import Dropouts
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = [
    "FINE_NS",
    "CellPlan",
    "Feature",
    "FeatureKind",
    "Places",
    "ends_of",
    "features_of",
    "places_of",
    "plan_cells",
]

FINE_NS = 400 * MILLISECOND_NS
"""The shortest window: a few periods of most messages."""
_WIDE_NS = (2 * SECOND_NS, 10 * SECOND_NS, 60 * SECOND_NS)
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


def ends_of(dropouts: Dropouts) -> Int64Array:
    """(n,) Give where the windows before each dropout end: up to a cycle before the last frame, the same every time."""
    mixed = (dropouts.last_seen_ns - dropouts.zero_ns).astype(np.uint64) * np.uint64(_GOLDEN)
    share = (mixed >> np.uint64(33)).astype(np.float64) / float(1 << 31)
    bracket_ns = np.minimum(dropouts.onset_ns - dropouts.last_seen_ns, SECOND_NS).astype(np.float64)
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
    fitting = [s for s in _PERIODS_S if length_ns // (s * SECOND_NS) <= most_places]
    period_ns = (fitting[0] if fitting else -(-length_ns // (most_places * SECOND_NS))) * SECOND_NS
    windows_ns = tuple(sorted({FINE_NS, *(max(period_ns, -(-w // period_ns) * period_ns) for w in _WIDE_NS)}))
    places_ns = start_ns + period_ns * np.arange(1, length_ns // period_ns + 1, dtype=np.int64)
    cuts = [places_ns, places_ns - FINE_NS, ends_ns, *(ends_ns - w for w in windows_ns)]
    edges_ns = np.unique(np.concatenate((np.array([start_ns], np.int64), *cuts)))
    return CellPlan(
        edges_ns=edges_ns[edges_ns >= start_ns], places_ns=places_ns, period_ns=period_ns, windows_ns=windows_ns
    )


_STALE_NS = 10 * SECOND_NS
"""A last value older than this says nothing about now."""
_GUARD_NS = 10 * SECOND_NS
"""Before a dropout so much, or the window where it is shorter, is no part of the rest of the time."""


class FeatureKind(StrEnum):
    """What is looked at."""

    MINIMUM = "minimum"
    MAXIMUM = "maximum"
    LEVEL = "level"
    SLOPE = "slope"

    @property
    def directions(self) -> tuple[int, ...]:
        """-1: low values go before dropouts, 1: high ones; what extremes say the other way round, levels say too."""
        return {FeatureKind.MINIMUM: (-1,), FeatureKind.MAXIMUM: (1,)}.get(self, (-1, 1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """For one length of window, the cells of those at m places, and of those before n dropouts after them."""

    window_ns: int
    begun: Int64Array
    """(m + n,) the first cell."""
    ended: Int64Array
    """(m + n,) the one after the last."""
    usable: BoolArray
    """(m + n,) whether the window was watched."""
    is_far: BoolArray
    """(m,) whether no dropout came right after it."""
    runs: Int64Array
    """Where the cells of each window begin and end, alternately: (2 (m + n),), and of the m only where they are not put
    together from periods, else (2 n,)."""
    of_periods: Int64Array
    """(2 m,) the same for the period up to each place."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feature:
    """One feature of one measured value."""

    kind: FeatureKind
    window_ns: int
    """0: the last value."""
    rest: Float32Array
    """(m,) at every place, those right before a dropout too; NaN where it cannot be told."""
    before: Float32Array
    """(n,) before every dropout; NaN where it cannot be told."""
    is_far: BoolArray
    """(m,) places that no dropout came right after: the rest of the time."""

    @property
    def weight(self) -> float:
        """How much of what all features of a value pay together it may use: what is so right now most of it."""
        if self.kind is FeatureKind.SLOPE:
            return 0.5
        return 4.0 if self.window_ns <= FINE_NS else 1.0


def places_of(plan: CellPlan, dropouts: Dropouts) -> tuple[Places, ...]:
    """Find the cells of all windows, once for all values."""
    ends_ns = np.concatenate((plan.places_ns, ends_of(dropouts)))
    seen_ns = np.append(dropouts.last_seen_ns, np.iinfo(np.int64).max)
    ahead_ns = seen_ns[np.searchsorted(dropouts.last_seen_ns, plan.places_ns)] - plan.places_ns
    m, n_cells = len(plan.places_ns), len(plan.edges_ns) - 1
    ended = np.searchsorted(plan.edges_ns, ends_ns)
    of_periods = _runs(np.searchsorted(plan.edges_ns, plan.places_ns - plan.period_ns), ended[:m], n_cells)
    found = []
    for window_ns in plan.windows_ns:
        begun = np.searchsorted(plan.edges_ns, ends_ns - window_ns)
        alone = np.s_[:] if window_ns < plan.period_ns else np.s_[m:]
        found.append(
            Places(
                window_ns=window_ns,
                begun=begun,
                ended=ended,
                usable=(ends_ns - window_ns >= plan.edges_ns[0]) & dropouts.watched.holds(ends_ns - window_ns, ends_ns),
                is_far=ahead_ns > min(window_ns, _GUARD_NS),
                runs=_runs(begun[alone], ended[alone], n_cells),
                of_periods=of_periods,
            )
        )
    return tuple(found)


def _runs(begun: Int64Array, ended: Int64Array, n_cells: int) -> Int64Array:
    """Lay out runs of cells as `_of_cells` takes them; those of one cell or none give the first, not usable then."""
    return np.asarray(np.minimum(np.column_stack((begun, np.maximum(ended, begun + 1))).ravel(), n_cells), np.int64)


def features_of(series: CellSeries, plan: CellPlan, places: Sequence[Places]) -> Iterator[Feature]:
    """Yield the features of one value, the extremes first."""
    low, high = (np.append(cells, cells[-1:]) for cells in (series.low, series.high))
    period = places[0].of_periods
    extremes = (
        (FeatureKind.MINIMUM, np.minimum, low, _of_cells(np.minimum, low, period)),
        (FeatureKind.MAXIMUM, np.maximum, high, _of_cells(np.maximum, high, period)),
    )
    for at in places:
        for kind, reduce, cells, of_periods in extremes:
            yield _feature(kind, at, _extreme(reduce, cells, of_periods, at.window_ns // plan.period_ns, at))
    last = _carried(series.last, plan.edges_ns)
    for at in places:
        if at.window_ns == FINE_NS:
            yield replace(_feature(FeatureKind.LEVEL, at, last[at.ended]), window_ns=0)
        else:
            slope = (last[at.ended] - last[at.begun]) / np.float32(at.window_ns / SECOND_NS)
            yield _feature(FeatureKind.SLOPE, at, slope)


def _feature(kind: FeatureKind, at: Places, values: Float32Array) -> Feature:
    """Take the values of the usable windows, (m + n,); what is not finite is none."""
    known, m = np.where(at.usable & np.isfinite(values), values, np.float32(np.nan)), len(at.is_far)
    return Feature(kind=kind, window_ns=at.window_ns, rest=known[:m], before=known[m:], is_far=at.is_far)


def _extreme(
    reduce: np.ufunc, cells: Float32Array, of_periods: Float32Array, n_periods: int, at: Places
) -> Float32Array:
    """(m + n,) Give the extreme of each window.

    Parameters
    ----------
    cells : (c + 1,) the last one twice
    of_periods : (m,) the extreme of the period up to each place
    n_periods : how many a window takes; 0: less than one
    """
    own = _of_cells(reduce, cells, at.runs)
    return np.concatenate((_sliding(reduce, of_periods, n_periods), own)) if n_periods else own


def _of_cells(reduce: np.ufunc, cells: Float32Array, runs: Int64Array) -> Float32Array:
    """Reduce runs of cells.

    Parameters
    ----------
    cells : (c + 1,) the last one twice
    runs : as `_runs` lays them out
    """
    return np.asarray(reduce.reduceat(cells, runs)[::2], np.float32) if len(runs) else np.empty(0, np.float32)


def _sliding(reduce: np.ufunc, values: Float32Array, width: int) -> Float32Array:
    """(m,) Reduce each value and those before it, `width` in all as far as there are so many, by doubling."""
    done, size = values.copy(), 1
    while size < width:
        step = min(size, width - size)
        done[step:] = reduce(done[step:], done[:-step])
        size += step
    return done


def _carried(last: Float32Array, edges_ns: Int64Array) -> Float32Array:
    """(c + 1,) Give the last value before each edge, unless it is too old."""
    newest = np.maximum.accumulate(np.where(np.isnan(last), -1, np.arange(len(last))))
    fresh = (newest >= 0) & (edges_ns[1:] - edges_ns[newest + 1] <= _STALE_NS)
    return np.append(np.float32(np.nan), np.where(fresh, last[newest], np.float32(np.nan)))
