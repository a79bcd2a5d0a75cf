"""What is remembered of many sequences of arrivals, as columns, in bounded memory."""

import heapq

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.health.streams.interval import N_BINS
from busdoc.health.streams.silence import CONTEXT, Silence

__all__ = ["ALWAYS_NS", "LEARN_AFTER", "REGULAR", "SAMPLE", "TrackColumns"]

SAMPLE = 256
"""Intervals kept in the thinned sample of a track, at most."""
LEARN_AFTER = 16
"""Until this many arrivals every interval counts as notable, since nothing is known yet."""
REGULAR = 1.4
"""An interval is regular when the two before it are within this factor of it."""
_MOST_SILENCES = 512
"""Silences kept for each track with the frames around them: the longest ones."""
_MOST_BARE_SILENCES = 2048
"""The same without those frames, which is a tenth of the memory."""
ALWAYS_NS = int(np.iinfo(np.int64).max)
"""For a track of which nobody knows which silences matter."""
_PLAIN_COLUMNS = ("count", "first_ns", "last_ns", "notable_ns", "always_ns", "stride", "interval_count", "interval_sum")
_COLUMNS = (
    *_PLAIN_COLUMNS,
    "regular_count",
    "regular_sum",
    "last_dt",
    "tail_ns",
    "tail_data",
    "sample",
    "sample_n",
)
_NO_TIMES = np.empty(0, np.int64)
_NO_DATA = np.empty((0, 8), np.uint8)


class TrackColumns:
    """Many tracks side by side; `busdoc.health.streams.track` fills them.

    Parameters
    ----------
    with_context : keep regular intervals, samples and the frames around silences (streams), or the silences alone
    quantile, factor : a silence is notable when it is longer than `factor` times this quantile of the intervals so far
    always_ns : and any silence longer than this, however common; `always_ns` of a single track may be lowered
    """

    def __init__(self, *, with_context: bool, quantile: float, factor: float, always_ns: int = ALWAYS_NS) -> None:
        self.with_context = with_context
        self.quantile = quantile
        self.factor = factor
        self.n = 0
        self.count = np.zeros(0, np.int64)
        """(n,) arrivals."""
        self.first_ns = np.zeros(0, np.int64)
        self.last_ns = np.zeros(0, np.int64)
        self.notable_ns = np.zeros(0, np.int64)
        """(n,) silences longer than this are kept."""
        self.always_ns = np.zeros(0, np.int64)
        """(n,) that is never more than this."""
        self.interval_count = np.zeros((0, N_BINS), np.int64)
        """(n, N_BINS) intervals by length."""
        self.interval_sum = np.zeros((0, N_BINS), np.int64)
        """(n, N_BINS) sum of the intervals in each bin, ns."""
        self.regular_count = np.zeros((0, N_BINS), np.int64)
        self.regular_sum = np.zeros((0, N_BINS), np.int64)
        """The same of the intervals whose two predecessors were like them."""
        self.last_dt = np.zeros((0, 2), np.int64)
        """(n, 2) the last interval and the one before it, 0 where there is none."""
        self.tail_ns = np.zeros((0, CONTEXT), np.int64)
        """(n, CONTEXT) the last arrivals, right aligned."""
        self.tail_data = np.zeros((0, CONTEXT, 8), np.uint8)
        self.sample = np.zeros((0, SAMPLE), np.int64)
        """(n, SAMPLE) every `stride`-th interval; those from `sample_n` on mean nothing."""
        self.sample_n = np.zeros(0, np.int64)
        self.stride = np.ones(0, np.int64)
        self.pending: dict[int, list[Silence]] = {}
        """Silences that still want frames after them, by track."""
        self._heaps: list[list[tuple[int, int, Silence]]] = []
        self._always_ns = always_ns
        self._most = _MOST_SILENCES if with_context else _MOST_BARE_SILENCES

    def add(self, n_new: int) -> None:
        """Make room for new tracks, numbered on from the last."""
        self.n += n_new
        while len(self._heaps) < self.n:
            self._heaps.append([])
        if self.n <= len(self.count):
            return
        room = max(self.n, 2 * len(self.count), 16)
        for name in _COLUMNS if self.with_context else _PLAIN_COLUMNS:
            old = getattr(self, name)
            new = np.zeros((room, *old.shape[1:]), old.dtype)
            new[: len(old)] = old
            setattr(self, name, new)
        self.stride[self.stride == 0] = 1
        self.always_ns[self.always_ns == 0] = self._always_ns

    def keep(self, row: int, silence: Silence) -> bool:
        """Keep a silence if it is among the longest of its track; False when it is not."""
        heap = self._heaps[row]
        lasts_ns = (silence.to_ns or 0) - silence.from_ns
        entry = (lasts_ns, -silence.from_ns, silence)
        if len(heap) < self._most:
            heapq.heappush(heap, entry)
            return True
        if entry[:2] <= heap[0][:2]:
            return False
        heapq.heapreplace(heap, entry)
        return True

    def floors_ns(self) -> Int64Array:
        """Give the shortest silence that each track would still keep, (n,): 0 while it keeps any."""
        return np.array([heap[0][0] if len(heap) >= self._most else 0 for heap in self._heaps], np.int64)

    def silences(self, row: int) -> list[Silence]:
        """Give the kept silences of a track that have ended, ascending."""
        return sorted((silence for _, _, silence in self._heaps[row]), key=lambda silence: silence.from_ns)

    def longer_than(self, row: int, limit_ns: int) -> list[Silence]:
        """Give the kept silences longer than a limit, ascending."""
        found = [silence for lasts_ns, _, silence in self._heaps[row] if lasts_ns > limit_ns]
        found.sort(key=lambda silence: silence.from_ns)
        return found

    def open_silence(self, row: int) -> Silence:
        """Give the silence that follows the last arrival."""
        if not self.with_context:
            times, data = _NO_TIMES, _NO_DATA
        else:
            known = int(min(self.count[row], CONTEXT))
            times = self.tail_ns[row, CONTEXT - known :].copy()
            data = self.tail_data[row, CONTEXT - known :].copy()
        return Silence(
            from_ns=int(self.last_ns[row]),
            to_ns=None,
            nth=int(self.count[row]),
            before_ns=times,
            before_data=data,
            after_ns=_NO_TIMES,
            after_data=_NO_DATA,
        )

    def sample_ns(self, row: int) -> Int64Array:
        """Give the thinned sample of the track's intervals, in the order of time."""
        return self.sample[row, : self.sample_n[row]]
