"""What is looked at of a measured value: its extremes, its level and its slope in windows of several lengths.

Each feature has one number for every place of the record, and one for every dropout, taken in the same way.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from busdoc.arrays import BoolArray, Float32Array, Int64Array
from busdoc.decode.signal_cells import CellSeries
from busdoc.isolation.covariate_cells import FINE_NS, CellPlan, ends_of
from busdoc.isolation.dropouts import Dropouts

__all__ = ["Feature", "FeatureKind", "Places", "features_of", "places_of"]

_NS = 1e9
_STALE_NS = 10_000_000_000
"""A last value older than this says nothing about now."""
_GUARD_NS = 10_000_000_000
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


def places_of(plan: CellPlan, dropouts: Dropouts) -> tuple[Places, ...]:
    """Find the cells of all windows, once for all values."""
    ends_ns = ends_of(dropouts)
    seen_ns = dropouts.last_seen_ns
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
            )
        )
    return tuple(found)


def features_of(series: CellSeries, plan: CellPlan, places: Sequence[Places]) -> Iterator[Feature]:
    """Yield the features of one value, the extremes first."""
    for at in places:
        yield _feature(FeatureKind.MINIMUM, at, *_both(np.minimum, series.low, np.inf, at))
        yield _feature(FeatureKind.MAXIMUM, at, *_both(np.maximum, series.high, -np.inf, at))
    carried = _carried(series.last, plan.edges_ns)
    for at in places:
        rest, before = (_where(usable, carried[ended]) for usable, ended in zip(at.usable, at.ended, strict=True))
        if at.window_ns == FINE_NS:
            yield replace(_feature(FeatureKind.LEVEL, at, rest, before), window_ns=0)
            continue
        length_s = np.float32(at.window_ns / _NS)
        rest, before = (rest - carried[at.begun[0]]) / length_s, (before - carried[at.begun[1]]) / length_s
        yield _feature(FeatureKind.SLOPE, at, rest, before)


def _feature(kind: FeatureKind, at: Places, rest: Float32Array, before: Float32Array) -> Feature:
    return Feature(kind=kind, window_ns=at.window_ns, rest=rest, before=before, is_far=at.is_far)


def _both(reduce: np.ufunc, cells: Float32Array, nothing: float, at: Places) -> tuple[Float32Array, Float32Array]:
    """Reduce the cells of each window; NaN where there is no value, or the window is not usable."""
    padded = np.append(cells, np.float32(nothing))
    found = []
    for begun, ended, usable in zip(at.begun, at.ended, at.usable, strict=True):
        whole = usable & (ended > begun)
        pairs = np.column_stack((np.where(whole, begun, 0), np.where(whole, ended, 1))).ravel()
        extreme = reduce.reduceat(padded, pairs)[::2] if len(pairs) else np.empty(0, np.float32)
        found.append(_where(whole & np.isfinite(extreme), extreme))
    return found[0], found[1]


def _carried(last: Float32Array, edges_ns: Int64Array) -> Float32Array:
    """(c + 1,) Give the last value before each edge, unless it is too old."""
    newest = np.maximum.accumulate(np.where(np.isnan(last), -1, np.arange(len(last))))
    age_ns = edges_ns[1:] - edges_ns[np.maximum(newest, 0) + 1]
    fresh = (newest >= 0) & (age_ns <= _STALE_NS)
    return np.concatenate((np.full(1, np.nan, np.float32), _where(fresh, last[np.maximum(newest, 0)])))


def _where(mask: BoolArray, values: Float32Array) -> Float32Array:
    return np.where(mask, values, np.float32(np.nan))
