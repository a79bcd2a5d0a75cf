"""Rhythm within the runs of a controller that was away again and again.

The gaps between two runs say nothing of a stream's period. One of a controller that speaks for half a second every
three looks like bursts, or like a rhythm of three seconds, until the intervals that lie across its absences are taken
out of the histogram.
"""

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.health.streams.interval import interval_bin
from busdoc.health.streams.rhythm import Rhythm, learn_rhythm
from busdoc.health.streams.silence import Silence
from busdoc.health.streams.track_columns import TrackColumns

__all__ = ["keeps_within_runs", "learn_within_runs"]

_AT_PERIOD = (0.6, 1.6)
"""Periods: an interval between these is one of that period."""
_MOSTLY = 0.5
_ENOUGH = 4


def learn_within_runs(tracks: TrackColumns, row: int, breaks: Sequence[Silence]) -> tuple[Rhythm, int]:
    """Learn a stream's rhythm from the intervals within the runs of its controller.

    Parameters
    ----------
    tracks : of the streams
    row : the stream
    breaks : the controller's silences between its runs, ascending

    Returns
    -------
    The rhythm, and from how many intervals
    """
    count, total_ns = _within_runs(tracks, row, breaks)
    # of the regular ones no more can be left than there are
    regular, regular_ns = tracks.regular_count[row], tracks.regular_sum[row]
    left = np.minimum(regular, count)
    left_ns = np.where(regular > 0, regular_ns * left // np.maximum(regular, 1), 0)
    return learn_rhythm(count, total_ns, left, left_ns, tracks.sample_ns(row)), int(count.sum())


def keeps_within_runs(tracks: TrackColumns, row: int, breaks: Sequence[Silence], period_ns: int) -> bool:
    """Tell whether a stream's intervals within the runs are mostly of a period, and several of them."""
    count, _ = _within_runs(tracks, row, breaks)
    low, high = interval_bin(np.array([round(edge * period_ns) for edge in _AT_PERIOD])).tolist()
    n_at_period = int(count[low : high + 1].sum())
    return n_at_period >= _ENOUGH and n_at_period >= _MOSTLY * int(count.sum())


def _within_runs(tracks: TrackColumns, row: int, breaks: Sequence[Silence]) -> tuple[Int64Array, Int64Array]:
    """Give a stream's histogram without its intervals across the breaks: (N_BINS,) counts and sums, ns."""
    count, total_ns = tracks.interval_count[row].copy(), tracks.interval_sum[row].copy()
    # those of known length, and how many more of which no more is known than that there are so many
    known, n_unknown = _across(tracks, row, breaks)
    for bin_, lasts_ns in zip(interval_bin(known).tolist(), known.tolist(), strict=True):
        count[bin_] -= 1
        total_ns[bin_] -= lasts_ns
    if n_unknown:
        least = int(interval_bin(np.array([min(_lasts_ns(one) for one in breaks)]))[0])
        _drop_longest(count, total_ns, n_unknown, least)
    return count, total_ns


def _across(tracks: TrackColumns, row: int, breaks: Sequence[Silence]) -> tuple[Int64Array, int]:
    """Give the lengths of the stream's intervals that cover breaks, and how many breaks none that was kept covers."""
    first_ns, last_ns = int(tracks.first_ns[row]), int(tracks.last_ns[row])
    own = tracks.silences(row)
    from_ns = [silence.from_ns for silence in own]
    known: dict[int, int] = {}
    n_unknown = 0
    for one in breaks:
        if one.from_ns < first_ns or one.to_ns is None or one.to_ns > last_ns:
            continue
        at = bisect_right(from_ns, one.from_ns) - 1
        end_ns = own[at].to_ns if at >= 0 else None
        if end_ns is not None and end_ns >= one.to_ns:
            known[at] = end_ns - from_ns[at]
        else:
            n_unknown += 1
    return np.array(list(known.values()), np.int64), n_unknown


def _drop_longest(count: Int64Array, total_ns: Int64Array, n: int, least: int) -> None:
    """Take the n longest intervals out of a histogram, none of a bin below the least."""
    for bin_ in range(len(count) - 1, least - 1, -1):
        taken = min(n, int(count[bin_]))
        if taken:
            total_ns[bin_] -= total_ns[bin_] * taken // count[bin_]
            count[bin_] -= taken
            n -= taken
        if not n:
            return


def _lasts_ns(silence: Silence) -> int:
    return (silence.to_ns or silence.from_ns) - silence.from_ns
