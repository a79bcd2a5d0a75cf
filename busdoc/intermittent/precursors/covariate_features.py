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
        edges_ns=edges_ns[edges_ns >= start_ns],
        places_ns=places_ns,
        period_ns=period_ns,
        windows_ns=windows_ns,
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
    """For each length of window, the cells of those at m places and before n dropouts."""

    window_ns: int
    begun: tuple[Int64Array, Int64Array]
    """(m,), (n,) the first cell."""
    ended: tuple[Int64Array, Int64Array]
    """(m,), (n,) the one after the last."""
    usable: tuple[BoolArray, BoolArray]
    """(m,), (n,) whether the window was watched."""
    is_far: BoolArray
    """(m,) whether no dropout came right after it."""
    periods: tuple[Int64Array, Int64Array]
    """(m,), (m,) the first cell of each period up to a place, and the one after its last."""


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
    ends_ns = ends_of(dropouts)
    seen_ns = dropouts.last_seen_ns
    periods = plan.window_cells(plan.places_ns, plan.period_ns)
    found = []
    for window_ns in plan.windows_ns:
        next_seen = np.searchsorted(seen_ns, plan.places_ns)
        ahead_ns = np.append(seen_ns, np.iinfo(np.int64).max)[next_seen] - plan.places_ns
        place_cells = plan.window_cells(plan.places_ns, window_ns)
        loss_cells = plan.window_cells(ends_ns, window_ns)
        found.append(
            Places(
                window_ns=window_ns,
                begun=(place_cells[0], loss_cells[0]),
                ended=(place_cells[1], loss_cells[1]),
                usable=(
                    plan.is_watched(dropouts, plan.places_ns, window_ns),
                    plan.is_watched(dropouts, ends_ns, window_ns),
                ),
                is_far=ahead_ns > min(window_ns, _GUARD_NS),
                periods=periods,
            )
        )
    return tuple(found)


def features_of(series: CellSeries, plan: CellPlan, places: Sequence[Places]) -> Iterator[Feature]:
    """Yield the features of one value, the extremes first."""
    periods = places[0].periods
    lows = _of_cells(np.minimum, series.low, *periods)
    highs = _of_cells(np.maximum, series.high, *periods)
    for at in places:
        n_periods = at.window_ns // plan.period_ns
        yield _feature(FeatureKind.MINIMUM, at, *_both(np.minimum, series.low, lows, n_periods, at))
        yield _feature(FeatureKind.MAXIMUM, at, *_both(np.maximum, series.high, highs, n_periods, at))
    carried = _carried(series.last, plan.edges_ns)
    for at in places:
        rest, before = (_where(usable, carried[ended]) for usable, ended in zip(at.usable, at.ended, strict=True))
        if at.window_ns == FINE_NS:
            yield replace(_feature(FeatureKind.LEVEL, at, rest, before), window_ns=0)
            continue
        length_s = np.float32(at.window_ns / SECOND_NS)
        rest, before = (rest - carried[at.begun[0]]) / length_s, (before - carried[at.begun[1]]) / length_s
        yield _feature(FeatureKind.SLOPE, at, rest, before)


def _feature(kind: FeatureKind, at: Places, rest: Float32Array, before: Float32Array) -> Feature:
    return Feature(kind=kind, window_ns=at.window_ns, rest=rest, before=before, is_far=at.is_far)


def _both(
    reduce: np.ufunc, cells: Float32Array, periods: Float32Array, n_periods: int, at: Places
) -> tuple[Float32Array, Float32Array]:
    """Give the extreme of each window; NaN where there is no value, or the window is not usable.

    Parameters
    ----------
    periods : (m,) the extreme of each period
    n_periods : how many a window takes; 0: less than one
    """
    rest = _sliding(reduce, periods, n_periods) if n_periods else _of_cells(reduce, cells, at.begun[0], at.ended[0])
    before = _of_cells(reduce, cells, at.begun[1], at.ended[1])
    found = [_where(usable & np.isfinite(x), x) for usable, x in zip(at.usable, (rest, before), strict=True)]
    return found[0], found[1]


def _of_cells(reduce: np.ufunc, cells: Float32Array, begun: Int64Array, ended: Int64Array) -> Float32Array:
    """Reduce runs of cells; those of one cell or none give the first, which is not usable then."""
    if not len(begun):
        return np.empty(0, np.float32)
    padded = np.append(cells, cells[-1:])
    runs = np.column_stack((begun, np.maximum(ended, begun + 1))).ravel()
    return np.asarray(reduce.reduceat(padded, np.minimum(runs, len(cells)))[::2], np.float32)


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
    age_ns = edges_ns[1:] - edges_ns[np.maximum(newest, 0) + 1]
    fresh = (newest >= 0) & (age_ns <= _STALE_NS)
    return np.concatenate((np.full(1, np.nan, np.float32), _where(fresh, last[np.maximum(newest, 0)])))


def _where(mask: BoolArray, values: Float32Array) -> Float32Array:
    return np.where(mask, values, np.float32(np.nan))
