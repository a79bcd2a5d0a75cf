"""Counts, for many kinds of events at once, how many dropouts each came before, and what chance would make of it.

The null is exact for the events as they are, however they cluster: each dropout is moved about its own place, and the
share of that neighbourhood in which it would find such an event before it is its chance (for the idea, see
Amarasingham, Harrison, Hatsopoulos, Geman, J. Neurophysiology 107 (2012) 517-531). Because only the neighbourhood
counts, a working day or a duty cycle that brings events and dropouts together is no evidence. The neighbourhood is cut
at the record's ends, at capture gaps, and where there was nothing to lose. What is left is that dropouts of one burst
hang together: of those that come within twice the window of one another, only the first counts as an independent one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.dropouts import SETTLE_NS, Dropouts
from busdoc.intermittent.precursors.coincidence import at_least
from busdoc.intermittent.precursors.event_kind import EventKind
from busdoc.times import SECOND_NS

__all__ = ["WINDOWS_S", "Scan", "near_ns", "scan"]

WINDOWS_S = (0.25, 1.0, 4.0, 15.0, 60.0)
"""The windows that are tried, each of which the p-value pays for."""
_NEAR_WINDOWS = 12
_SPELL_NS = 40 * SECOND_NS
_MOST_CELLS = 1 << 22
"""Kinds times dropouts that are worked on at once."""
_NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """For w windows and k kinds, about one set of n dropouts."""

    independent: BoolArray
    """(w, n) dropouts that do not follow from the one before, as far as each window can tell."""
    lag_ns: Int64Array
    """(k, n) from the last such event to the last frame before each dropout; the largest number where there is none;
    negative where the event lies between that frame and the first one missed."""
    n_independent: Int64Array
    """(w,)"""
    n_hit: Int64Array
    """(w, k) independent dropouts with such an event before them."""
    share: Float64Array
    """(w, k) chance of that for one of them, in the mean."""
    n_events: Int64Array
    """(k,) while there was something to lose."""
    n_followed: Int64Array
    """(w, k) events with a dropout after them."""
    p: Float64Array
    """(w, k)"""


def near_ns(window_ns: int) -> int:
    """Give how far to either side of a dropout chance is reckoned.

    Twelve windows; of long windows fewer, down to two, so that the neighbourhood stays within one spell of work.
    """
    return min(_NEAR_WINDOWS * window_ns, _SPELL_NS + 3 * window_ns // 2)


def scan(dropouts: Dropouts, kinds: Sequence[EventKind], windows_s: Sequence[float] = WINDOWS_S) -> Scan:
    """Hold every kind of event, all with sure times, against the dropouts.

    Parameters
    ----------
    dropouts : at least one
    kinds : of sure times
    """
    windows_ns = np.array([round(window_s * SECOND_NS) for window_s in windows_s], np.int64)
    independent = np.array([dropouts.independent(2 * window_ns + SETTLE_NS) for window_ns in windows_ns.tolist()])
    at_once = max(1, min(_MOST_CELLS // len(dropouts), _most_side_by_side(dropouts)))
    parts = [
        _scan_some(dropouts, kinds[first : first + at_once], windows_ns, independent)
        for first in range(0, len(kinds), at_once)
    ] or [_scan_some(dropouts, (), windows_ns, independent)]
    n_hit, share = (np.concatenate([part[at] for part in parts], axis=1) for at in (1, 2))
    n_independent = independent.sum(axis=1)
    return Scan(
        independent=independent,
        lag_ns=np.concatenate([part[0] for part in parts]),
        n_independent=n_independent,
        n_hit=n_hit.astype(np.int64),
        share=share,
        n_events=np.concatenate([part[3] for part in parts]),
        n_followed=np.concatenate([part[4] for part in parts], axis=1),
        p=at_least(n_hit.astype(np.int64), n_independent[:, None], share),
    )


def _most_side_by_side(dropouts: Dropouts) -> int:
    """Say how many kinds fit on one axis of int64 nanoseconds."""
    return int((1 << 61) // (4 * max(dropouts.span_ns, 1)))


def _scan_some(
    dropouts: Dropouts, kinds: Sequence[EventKind], windows_ns: Int64Array, independent: BoolArray
) -> tuple[Int64Array, Int64Array, Float64Array, Int64Array, Int64Array]:
    """Lay the kinds side by side on one axis of time, so that one sorted search serves them all."""
    n_kinds, watched = len(kinds), dropouts.watched
    sizes = np.array([len(kind) for kind in kinds], np.int64)
    kind_of = np.repeat(np.arange(n_kinds), sizes)
    t_ns = np.concatenate([np.empty(0, np.int64), *(kind.t_ns for kind in kinds)])
    own = _own(dropouts, kinds)
    ahead_ns = _ahead(dropouts, own, kind_of, t_ns - dropouts.zero_ns)
    seen = watched.contains(t_ns) | (ahead_ns <= 0)
    kind_of, t_ns, ahead_ns = kind_of[seen], t_ns[seen] - dropouts.zero_ns, ahead_ns[seen]
    n_events = np.bincount(kind_of, minlength=n_kinds)
    side_ns = np.arange(n_kinds, dtype=np.int64) * min(4 * max(dropouts.span_ns, 1), 1 << 61)
    lag_ns = _lags(dropouts, t_ns + side_ns[kind_of], side_ns)
    n_windows = len(windows_ns)
    n_hit, n_followed = (np.zeros((n_windows, n_kinds), np.int64) for _ in range(2))
    share = np.zeros((n_windows, n_kinds))
    for w, window_ns in enumerate(windows_ns.tolist()):
        first = independent[w]
        n_hit[w] = (lag_ns[:, first] <= window_ns).sum(axis=1)
        n_followed[w] = np.bincount(kind_of[ahead_ns <= window_ns], minlength=n_kinds)
        share[w] = _near_share(dropouts, first, t_ns, kind_of, side_ns, window_ns).mean(axis=1) if first.any() else 0.0
    return lag_ns, n_hit, share, n_events, n_followed


def _own(dropouts: Dropouts, kinds: Sequence[EventKind]) -> BoolArray:
    """(k, n) Mark where a kind is told by a controller that fell itself."""
    by_controller = {name: dropouts.is_own(name) for name in {kind.controller for kind in kinds}}
    return np.array([by_controller[kind.controller] for kind in kinds], np.bool_).reshape(len(kinds), len(dropouts))


def _lags(dropouts: Dropouts, placed_ns: Int64Array, side_ns: Int64Array) -> Int64Array:
    """(k, n) Give how long before each dropout the last event of each kind was."""
    seen_ns = dropouts.last_seen_ns - dropouts.zero_ns
    found = np.searchsorted(placed_ns, side_ns[:, None] + _latest_ns(dropouts), side="right") - 1
    at_ns = np.concatenate((placed_ns, np.zeros(1, np.int64)))[found] - side_ns[:, None]
    is_there = (found >= 0) & (at_ns >= 0)  # below zero: it is the last one of the kind before
    return np.where(is_there, seen_ns - at_ns, _NEVER)


def _ahead(dropouts: Dropouts, own: BoolArray, kind_of: Int64Array, t_ns: Int64Array) -> Int64Array:
    """(e,) Give how long after each event the next dropout was; its last frame may come before the event.

    What a lost controller itself says after that frame, like a claim of its address, is no sign of the loss.
    """
    found = np.searchsorted(_latest_ns(dropouts), t_ns, side="left")
    seen_ns = np.append(dropouts.last_seen_ns - dropouts.zero_ns, _NEVER)
    after_it = (found < len(dropouts)) & (t_ns > seen_ns[found])
    late = np.flatnonzero(after_it)
    found[late] += own[kind_of[late], found[late]]
    return np.where(found < len(dropouts), seen_ns[found] - t_ns, _NEVER)


def _latest_ns(dropouts: Dropouts) -> Int64Array:
    """(n,) Give until when each loss may not have come yet."""
    return np.minimum(dropouts.last_seen_ns + dropouts.bracket_ns, dropouts.onset_ns) - dropouts.zero_ns


def _near_share(
    dropouts: Dropouts,
    first: BoolArray,
    t_ns: Int64Array,
    kind_of: Int64Array,
    side_ns: Int64Array,
    window_ns: int,
) -> Float64Array:
    """(k, n) Give the share of each dropout's neighbourhood that has such an event before it.

    Windows are laid out in watched time: the dropout that cuts one short would not have done so, had it come elsewhere.
    """
    watched = dropouts.watched
    total_ns = watched.total_ns
    event_ns = watched.before(t_ns + dropouts.zero_ns)
    from_ns = np.maximum(event_ns - dropouts.bracket_ns, 0) + side_ns[kind_of]
    to_ns = np.minimum(event_ns + window_ns, total_ns) + side_ns[kind_of]
    begun_ns = np.maximum(from_ns, np.concatenate((np.full(1, -1, np.int64), to_ns[:-1])))
    begun_ns = np.minimum(begun_ns, to_ns)
    covered_ns = np.concatenate((np.zeros(1, np.int64), np.cumsum(to_ns - begun_ns)))
    place_ns = watched.before(dropouts.last_seen_ns[first])
    reach_ns = near_ns(window_ns + dropouts.bracket_ns)
    low_ns, high_ns = np.maximum(place_ns - reach_ns, 0), np.minimum(place_ns + reach_ns, total_ns)
    within = _covered(begun_ns, covered_ns, side_ns[:, None] + high_ns)
    within = within - _covered(begun_ns, covered_ns, side_ns[:, None] + low_ns)
    near = np.maximum(high_ns - low_ns, 1)
    return np.asarray(np.where(high_ns > low_ns, within / near, 1.0), np.float64)  # nothing watched there tells nothing


def _covered(begun_ns: Int64Array, covered_ns: Int64Array, at_ns: Int64Array) -> Int64Array:
    """Give how much was covered before each place of the common axis."""
    if not len(begun_ns):
        return np.zeros(at_ns.shape, np.int64)
    last = np.maximum(np.searchsorted(begun_ns, at_ns, side="right") - 1, 0)
    length_ns = covered_ns[last + 1] - covered_ns[last]
    return np.asarray(covered_ns[last] + np.clip(at_ns - begun_ns[last], 0, length_ns), np.int64)
