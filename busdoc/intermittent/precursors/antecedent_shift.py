"""A second look at kinds that seem to go before dropouts: all dropouts moved along the record together.

The scan moves each dropout by itself. Where dropouts keep a beat of their own, like a timer that runs out every ten
minutes, and events keep one too, all fall into the window once the first does; where both come in bursts, many do.
Moved along together, they keep their beat and their bursts, and chance shows as often as it should (the shuffled null
of event coincidence analysis: Donges et al., Eur. Phys. J. Special Topics 225 (2016) 471-487, section 2).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.dropouts import Dropouts, Watched
from busdoc.intermittent.precursors.antecedent_scan import Scan
from busdoc.intermittent.precursors.coincidence import greatest_attained
from busdoc.intermittent.precursors.event_kind import EventKind
from busdoc.intermittent.rate_tests import greenwood_p
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = [
    "Alike",
    "attained",
    "by_shifting",
    "come_in_bursts",
    "hang_together",
    "join_alike",
    "keep_a_beat",
    "may_be_found",
]

_TOGETHER_NS = 500 * MILLISECOND_NS
"""An echo may take a few periods of its message (common practice)."""
_SHARE = 0.9
"""Of the events of either kind that must have the other beside them."""
_SAMPLE = 12
_SPARSE = 8
"""Events must come so many times further apart, in the middle, than what counts as the same moment."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alike:
    """One kind, and what happens together with it."""

    kind: EventKind
    aliases: tuple[str, ...] = ()


def join_alike(kinds: Sequence[EventKind]) -> tuple[Alike, ...]:
    """Join kinds that happen at the same moments, in the order in which they were given.

    Kinds whose times are not sure are left alone.
    """
    kinds = tuple(kinds)
    by_size = sorted((k for k, kind in enumerate(kinds) if kind.is_sure), key=lambda k: (len(kinds[k]), k))
    leader = list(range(len(kinds)))
    for at, i in enumerate(by_size):
        if leader[i] != i:
            continue
        most = len(kinds[i]) / _SHARE
        sample = _sample(kinds[i].t_ns)
        for j in by_size[at + 1 :]:
            if len(kinds[j]) > most:
                break
            if leader[j] == j and _near(sample, kinds[j].t_ns).mean() >= 0.5 and _are_alike(kinds[i], kinds[j]):
                leader[j] = i
    members: dict[int, list[int]] = {}
    for k, first in enumerate(leader):
        members.setdefault(first, []).append(k)
    joined = []
    for group in members.values():
        ranked = sorted(group, key=lambda k: (int(np.median(_lead(kinds[k].t_ns, kinds[group[0]].t_ns))), k))
        joined.append((min(group), Alike(kind=kinds[ranked[0]], aliases=tuple(kinds[k].name for k in ranked[1:]))))
    return tuple(alike for _, alike in sorted(joined, key=lambda one: one[0]))


def _sample(t_ns: Int64Array) -> Int64Array:
    return t_ns[np.linspace(0, len(t_ns) - 1, min(len(t_ns), _SAMPLE)).astype(np.int64)]


def _are_alike(one: EventKind, other: EventKind) -> bool:
    if min(_pause_ns(one.t_ns), _pause_ns(other.t_ns)) < _SPARSE * _TOGETHER_NS:
        return False
    return bool(_near(one.t_ns, other.t_ns).mean() >= _SHARE and _near(other.t_ns, one.t_ns).mean() >= _SHARE)


def _pause_ns(t_ns: Int64Array) -> float:
    return float(np.median(np.diff(t_ns))) if len(t_ns) > 1 else np.inf


def _near(t_ns: Int64Array, others_ns: Int64Array) -> BoolArray:
    """(n,) Mark what has one of the others at the same moment."""
    n_before = np.searchsorted(others_ns, t_ns - _TOGETHER_NS, side="left")
    return np.asarray(np.searchsorted(others_ns, t_ns + _TOGETHER_NS, side="right") > n_before)


def _lead(t_ns: Int64Array, others_ns: Int64Array) -> Int64Array:
    """(n,) Give how long after the nearest of the others each is; negative: before it."""
    after = np.searchsorted(others_ns, t_ns)
    right_ns = others_ns[np.minimum(after, len(others_ns) - 1)]
    left_ns = others_ns[np.maximum(after - 1, 0)]
    nearest = np.where(np.abs(right_ns - t_ns) < np.abs(t_ns - left_ns), right_ns, left_ns)
    return np.asarray(t_ns - nearest, np.int64)


_MAY_BE_FOUND = 0.5
"""Where chance shows a p as small more often than this, with all kinds together, nothing makes a finding of it."""


def attained(chances: Sequence[Sequence[tuple[int, float]]]) -> Callable[[Float64Array], Float64Array]:
    """Give what says, for p-values (n,), how often by chance each of n tests shows one as small, for `holm`.

    Parameters
    ----------
    chances : (n,) for each window that a test tried: dropouts, and the chance of each to be preceded; its p is that of
        the best window times their number. Empty: a p of any size can come about
    """
    n_windows = np.array([max(len(of), 1) for of in chances], np.float64)
    n = np.zeros((len(chances), int(n_windows.max(initial=1.0))), np.int64)
    share = np.zeros(n.shape)
    for row, of in enumerate(chances):
        for w, (n_dropouts, by_chance) in enumerate(of):
            n[row, w], share[row, w] = n_dropouts, by_chance
    is_any = np.array([not of for of in chances], np.bool_)

    def chance(p: Float64Array) -> Float64Array:
        found = greatest_attained(n, share, (p / n_windows)[:, None]).sum(axis=1)
        return np.where(is_any, p, np.minimum(found, p))

    return chance


def may_be_found(
    counted: Scan, usable: BoolArray, p: Float64Array, windows: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Yield window and kind of each p that may be found, as far as the kinds tried on one set of dropouts can tell.

    Parameters
    ----------
    usable : (w,) the windows that are tried
    p : (w, k) not corrected yet
    windows : the ones that are asked about
    """
    if not len(windows):
        return
    ascending = np.unique(p[windows])
    n, share = counted.n_independent[usable, None], counted.share[usable]
    low, high = 0, len(ascending)  # how many of them may be
    while low < high:
        middle = (low + high) // 2
        by_chance = float(greatest_attained(n, share, ascending[middle : middle + 1]).sum())
        low, high = (middle + 1, high) if by_chance <= _MAY_BE_FOUND else (low, middle)
    if low:
        for at, k in np.argwhere(p[windows] <= ascending[low - 1]).tolist():
            yield windows[at], k


_SHIFTS = 19_999
_GOLDEN = 0.6180339887498949
_STEADY_BEAT = 0.3
"""Pauses that differ by less than this share of their mean keep a beat; random ones differ by the whole of it."""
_LEAST_FOR_BEAT = 4
_CLUSTERED_AT = 0.05
_MOST_PLACES = 1 << 21


def keep_a_beat(t_ns: Int64Array) -> bool:
    """Tell whether events come at nearly equal pauses.

    >>> keep_a_beat(np.arange(6) * 600), keep_a_beat(np.array([0, 100, 900, 1000, 5000, 5100]))
    (True, False)
    """
    pause_ns = np.diff(t_ns).astype(np.float64)
    if len(pause_ns) < _LEAST_FOR_BEAT - 1:
        return False
    return bool(pause_ns.std() < _STEADY_BEAT * pause_ns.mean())


def come_in_bursts(t_ns: Int64Array, watched: Watched) -> bool:
    """Tell whether events cluster more than a steady rate makes them, in the time watched."""
    return greenwood_p(watched.before(t_ns) / max(watched.total_ns, 1)) <= _CLUSTERED_AT


def hang_together(dropouts: Dropouts, counted: Scan, w: int) -> bool:
    """Tell whether the dropouts keep a beat or come in bursts, as far as a window can tell."""
    first = counted.independent[w]
    return keep_a_beat(dropouts.last_seen_ns[first]) or come_in_bursts(dropouts.last_seen_ns, dropouts.watched)


def by_shifting(dropouts: Dropouts, counted: Scan, w: int, k: int, kind: EventKind, window_s: float) -> float:
    """Give the share of shifts of all dropouts that show as much as no shift; 0 where they keep no beat and no bursts.

    The shifts go up to half the record either way and are spread evenly (multiples of the golden section), the same at
    every run; dropouts that leave the record are not counted.

    Parameters
    ----------
    w, k : window and kind in `counted`
    """
    if not hang_together(dropouts, counted, w):
        return 0.0
    first = counted.independent[w]
    watched, span_ns = dropouts.watched, dropouts.span_ns
    window_ns = round(window_s * SECOND_NS)
    n_shifts = min(_SHIFTS, max(99, _MOST_PLACES // max(1, int(first.sum()))))
    guard_ns = min(span_ns / 4.0, 2.0 * (window_ns + dropouts.bracket_ns))
    along = 2.0 * ((np.arange(1, n_shifts + 1) * _GOLDEN) % 1.0) - 1.0
    shift_ns = np.round(np.sign(along) * guard_ns + (span_ns / 2.0 - guard_ns) * along).astype(np.int64)
    moved_ns = (dropouts.last_seen_ns[first][None, :] + shift_ns[:, None]).ravel()
    inside = watched.contains(moved_ns).reshape(n_shifts, -1)
    before = np.searchsorted(kind.t_ns, moved_ns + dropouts.bracket_ns, side="right") - 1
    hit = (before >= 0) & (moved_ns - kind.t_ns[np.maximum(before, 0)] <= window_ns)
    n_inside = inside.sum(axis=1)
    n_hit = (hit.reshape(n_shifts, -1) & inside).sum(axis=1)
    as_many = n_hit * int(counted.n_independent[w]) >= int(counted.n_hit[w, k]) * n_inside
    return float(np.mean(as_many & (2 * n_inside >= counted.n_independent[w])))
