"""A second null for kinds of events that seem to go before dropouts: all dropouts moved along the record together.

The scan moves each dropout by itself. Where dropouts keep a beat of their own, like a timer that runs out every ten
minutes, and events keep one too, all fall into the window once the first does; where both come in bursts, many do.
Moved along together, they keep their beat and their bursts, and chance shows as often as it should (the shuffled null
of event coincidence analysis: Donges et al., Eur. Phys. J. Special Topics 225 (2016) 471-487, section 2).
"""

import numpy as np

from busdoc.intermittent.precursors.antecedent_scan import Counts, Windows
from busdoc.intermittent.precursors.event_kind import EventKind

__all__ = ["by_shifting"]

_SHIFTS = (199, 19_999)
"""Shifts that are tried, the more only where the fewer do not show yet that chance does as much."""
_GOLDEN = 0.6180339887498949
_MOST_PLACES = 1 << 19


def by_shifting(windows: Windows, counts: Counts, w: int, kind: EventKind, worth: float) -> float:
    """Give the share of shifts of the record that show as many hits in a window as there are; 0: none does.

    The shifts go up to half the record either way and are spread evenly (multiples of the golden section), the same at
    every run; dropouts that leave the record are not counted.

    Parameters
    ----------
    w : which of the windows
    worth : a share beyond this is not told more closely
    """
    dropouts, first = windows.dropouts, windows.independent[w]
    reach_ns, n = int(windows.reach_ns[w]), int(windows.n_independent[w])
    guard_ns = min(dropouts.span_ns / 4.0, 2.0 * (reach_ns + windows.late_ns))
    share = 0.0
    for n_shifts in _SHIFTS:
        n_tried = min(n_shifts, max(99, _MOST_PLACES // max(1, n)))
        # Every shift, from the guard to half the record, before and after.
        along = 2.0 * ((np.arange(1, n_tried + 1) * _GOLDEN) % 1.0) - 1.0
        shift_ns = np.sign(along) * guard_ns + (dropouts.span_ns / 2.0 - guard_ns) * along
        moved_ns = dropouts.last_seen_ns[first] + np.round(shift_ns).astype(np.int64)[:, None]
        # Which of the moved dropouts can be told, and which have an event before them.
        inside = dropouts.watched.contains(moved_ns)
        n_before = np.searchsorted(kind.t_ns, moved_ns + windows.late_ns, side="right")
        hit = (n_before > 0) & (moved_ns - kind.t_ns[n_before - 1] <= reach_ns) & inside
        # As large a share of them as really had one; shifts that leave fewer than half tell nothing.
        n_inside = inside.sum(axis=1)
        as_many = hit.sum(axis=1) * n >= int(counts.n_hit[w]) * n_inside
        share = float(np.mean(as_many & (2 * n_inside >= n)))
        if share > worth:
            break
    return share
