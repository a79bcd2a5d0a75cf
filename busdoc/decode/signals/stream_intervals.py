"""The intervals of chosen streams, frame by frame: how a controller's rhythm was before it fell silent."""

from collections.abc import Iterator, Mapping

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, distinct
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.signals.streams import stream_keys

__all__ = ["NEVER_NS", "StreamIntervals"]

_ERROR = np.uint16(FrameFlag.ERROR)
_AWAY = 10
"""An interval of more periods than this is an outage and no jitter."""

NEVER_NS = int(np.iinfo(np.int64).min)
"""The time of the last frame of a stream before its first one."""


class StreamIntervals:
    """Measures the intervals of streams while frames go by.

    Parameters
    ----------
    period_ns : of each stream to be measured, by its number as `stream_key` gives it

    Attributes
    ----------
    keys : (k,) the streams' numbers
    most_ns : (k,) beyond it there is no interval
    last_ns : (k,) each one's last frame so far, `NEVER_NS` before the first; compiled code goes on from it
    """

    def __init__(self, period_ns: Mapping[int, int]) -> None:
        self.keys = np.array(list(period_ns), np.int64)
        self.most_ns = _AWAY * np.array(list(period_ns.values()), np.int64)
        self.last_ns = np.full(len(self.keys), NEVER_NS, np.int64)
        self._order = np.argsort(self.keys)

    def feed(self, block: FrameBlock) -> Iterator[tuple[int, Int64Array, Float64Array]]:
        """Yield (place in `keys`, frames' rows in the block, interval before each in ms; NaN where there is none)."""
        if not len(block) or not len(self.keys):
            return
        ascending = self.keys[self._order]
        numbers = stream_keys(block)
        place = np.minimum(np.searchsorted(ascending, numbers), len(ascending) - 1)
        known = np.flatnonzero((ascending[place] == numbers) & ((block.flags & _ERROR) == 0))
        stream = self._order[place[known]]
        for k in distinct(stream).tolist():
            rows = known[stream == k]
            t_ns = block.t_ns[rows]
            is_first = self.last_ns[k] == NEVER_NS
            interval_ns = np.diff(t_ns, prepend=t_ns[0] if is_first else self.last_ns[k])
            interval_ms = interval_ns / 1e6
            interval_ms[interval_ns > self.most_ns[k]] = np.nan
            if is_first:
                interval_ms[0] = np.nan
            self.last_ns[k] = t_ns[-1]
            yield k, rows, interval_ms
