"""The intervals of chosen streams, frame by frame: how a controller's rhythm was before it fell silent."""

from collections.abc import Iterator, Mapping

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.signal_streams import stream_keys
from busdoc.health.controller import StreamKey

__all__ = ["StreamIntervals"]

_ERROR = np.uint16(FrameFlag.ERROR)
_AWAY = 10
"""An interval of more periods than this is an outage and no jitter."""


class StreamIntervals:
    """Measures the intervals of streams while frames go by.

    Parameters
    ----------
    period_ns : of each stream to be measured
    """

    def __init__(self, period_ns: Mapping[StreamKey, int]) -> None:
        self.keys = tuple(period_ns)
        self._number = np.array([_number(key) for key in self.keys], np.int64)
        self._order = np.argsort(self._number)
        self._most_ns = [_AWAY * period_ns[key] for key in self.keys]
        self._last_ns: list[int | None] = [None] * len(self.keys)

    def feed(self, block: FrameBlock) -> Iterator[tuple[int, Int64Array, Float64Array]]:
        """Yield (place in `keys`, frames' rows in the block, interval before each in ms; NaN where there is none)."""
        if not len(block) or not self.keys:
            return
        ascending = self._number[self._order]
        numbers = stream_keys(block)
        place = np.minimum(np.searchsorted(ascending, numbers), len(ascending) - 1)
        known = np.flatnonzero((ascending[place] == numbers) & ((block.flags & _ERROR) == 0))
        stream = self._order[place[known]]
        for k in np.unique(stream).tolist():
            rows = known[stream == k]
            t_ns = block.t_ns[rows]
            last_ns = self._last_ns[k]
            interval_ns = np.diff(t_ns, prepend=t_ns[0] if last_ns is None else last_ns)
            interval_ms = interval_ns / 1e6
            interval_ms[interval_ns > self._most_ns[k]] = np.nan
            if last_ns is None:
                interval_ms[0] = np.nan
            self._last_ns[k] = int(t_ns[-1])
            yield k, rows, interval_ms


def _number(key: StreamKey) -> int:
    return key.channel << 32 | int(key.extended) << 31 | key.id
