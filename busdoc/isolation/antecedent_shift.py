"""A second look at kinds that seem to go before dropouts: all dropouts moved along the record together.

The scan moves each dropout by itself. Where dropouts keep a beat of their own, like a timer that runs out every ten
minutes, and events keep one too, all fall into the window once the first does; where both come in bursts, many do.
Moved along together, they keep their beat and their bursts, and chance shows as often as it should (the shuffled null
of event coincidence analysis: Donges et al., Eur. Phys. J. Special Topics 225 (2016) 471-487, section 2).
"""

import numpy as np

from busdoc.actions.event_kind import EventKind
from busdoc.arrays import Int64Array
from busdoc.isolation.antecedent_scan import Scan
from busdoc.isolation.dropouts import Dropouts
from busdoc.isolation.rate_shape_tests import greenwood_p
from busdoc.isolation.watched import Watched

__all__ = ["by_shifting", "come_in_bursts", "hang_together", "keep_a_beat"]

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
    window_ns = round(window_s * 1e9)
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
