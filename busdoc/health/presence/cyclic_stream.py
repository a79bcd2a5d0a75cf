"""One cyclic stream of a controller as it is judged, its rhythm with its long silences."""

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np

from busdoc.health.streams.rhythm import Rhythm
from busdoc.health.streams.silence import Silence

__all__ = ["CyclicStream"]

_SAME_PERIOD = 0.02
"""A run of frames whose mean interval is off by more than this was not all one period."""


@dataclass(slots=True, kw_only=True, eq=False)
class CyclicStream:
    """One cyclic stream of a controller: its rhythm and its long silences."""

    row: int
    """Number of the stream."""
    rhythm: Rhythm
    count: int
    """Frames."""
    first_ns: int
    last_ns: int
    silences: tuple[Silence, ...]
    """Those kept, ascending; the last one may still last."""
    silent_from_ns: tuple[int, ...]
    """Their `from_ns`."""
    _mean: tuple[float, int] | None = field(default=None, repr=False)

    @property
    def deadline_ns(self) -> int:
        """A silence longer than this counts as missing, ns."""
        return self.rhythm.deadline_ns or 0

    @property
    def late_ns(self) -> int:
        """A silence longer than this is none that a busy bus makes its stream wait, ns; mostly the deadline."""
        return max(self.deadline_ns, self.rhythm.late_ns or 0)

    @property
    def period_ns(self) -> int:
        """Time from one frame to the next, as learnt or given, ns."""
        return self.rhythm.period_ns or 0

    @property
    def slowest_ns(self) -> int:
        """The longest interval that belongs to the rhythm."""
        return self.rhythm.slowest_ns or 0

    def silence_over(self, from_ns: int, to_ns: int) -> Silence | None:
        """Give the kept silence that covers a stretch; None where a frame came within it."""
        at = bisect_right(self.silent_from_ns, from_ns) - 1
        if at < 0:
            return None
        silence = self.silences[at]
        return silence if silence.to_ns is None or silence.to_ns >= to_ns else None

    def pace_ns(self, silence: Silence) -> int:
        """Give the period that held just before a silence."""
        if self.rhythm.exact_period_ns is not None or len(silence.before_ns) < 3:
            return self.period_ns
        return int(np.median(np.diff(silence.before_ns[-6:])))

    def mean_period(self) -> tuple[float, int] | None:
        """Give the mean period over all undisturbed runs, ns, and over how many intervals; None when it is not fixed.

        Between two kept silences no frame is missing, so the ends of such a run tell its mean interval to the jitter
        divided by its length: exact enough to know the phase thousands of periods later. Single intervals would be
        biased, since a late frame makes one longer and the next one shorter.
        """
        if self.rhythm.exact_period_ns is None:
            return None
        if self._mean is None:
            self._mean = self._over_runs(self.rhythm.exact_period_ns)
        return self._mean

    def _over_runs(self, about_ns: float) -> tuple[float, int]:
        # each run lies between the end of a silence and the start of the next, the ends of the stream included
        ended = [silence for silence in self.silences if silence.to_ns is not None]
        from_ns = np.array([self.first_ns, *(silence.to_ns or 0 for silence in ended)], np.int64)
        to_ns = np.array([*(silence.from_ns for silence in ended), self.last_ns], np.int64)
        from_nth = np.array([0, *(silence.nth for silence in ended)], np.int64)
        to_nth = np.array([*(silence.nth - 1 for silence in ended), self.count - 1], np.int64)
        # of those that kept the period all through, the time over the number of intervals
        intervals = to_nth - from_nth
        lasts_ns = (to_ns - from_ns).astype(np.float64)
        steady = (intervals > 0) & (np.abs(lasts_ns - intervals * about_ns) <= _SAME_PERIOD * intervals * about_ns)
        n = int(intervals[steady].sum())
        return (float(lasts_ns[steady].sum()) / n, n) if n else (about_ns, 1)
