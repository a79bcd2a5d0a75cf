"""A silence of one track, with the frames around it."""

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.health.streams.rolling import Rolling, rolling_counters

__all__ = ["CONTEXT", "Silence"]

CONTEXT = 16
"""How many frames before and after a silence are kept with it."""


_NO_TIMES = np.empty(0, np.int64)
_NO_DATA = np.empty((0, 8), np.uint8)


class Silence:
    """A stretch between two frames of a stream, or of all frames of a controller, that was longer than usual.

    The frames after it arrive later than the silence is known, so `extend` adds them; nothing else changes.
    """

    __slots__ = ("_counters", "after_data", "after_ns", "before_data", "before_ns", "from_ns", "nth", "to_ns")

    def __init__(
        self,
        *,
        from_ns: int,
        to_ns: int | None,
        nth: int,
        before_ns: Int64Array,
        before_data: UInt8Array,
        after_ns: Int64Array,
        after_data: UInt8Array,
    ) -> None:
        self.from_ns = from_ns
        """The last frame before it, ns."""
        self.to_ns = to_ns
        """The first frame after it; None while it lasts."""
        self.nth = nth
        """How many frames of the track came before it."""
        self.before_ns = before_ns
        """(k,) the last arrivals before it, ascending, the last one is `from_ns`; k <= CONTEXT."""
        self.before_data = before_data
        """(k, 8) their payloads."""
        self.after_ns = after_ns
        """(m,) the first arrivals after it, ascending, the first one is `to_ns`."""
        self.after_data = after_data
        self._counters: list[Rolling] | None = None

    @property
    def counters(self) -> list[Rolling]:
        """The rolling counters that the frames before it show."""
        if self._counters is None:
            self._counters = rolling_counters(self.before_data)
        return self._counters

    def extend(self, t_ns: Int64Array, data: UInt8Array) -> bool:
        """Add frames that came after; True while more are wanted."""
        room = CONTEXT - len(self.after_ns)
        self.after_ns = np.concatenate((self.after_ns, t_ns[:room]))
        self.after_data = np.concatenate((self.after_data, data[:room]))
        return len(self.after_ns) < CONTEXT

    @staticmethod
    def bare(from_ns: int, to_ns: int | None) -> "Silence":
        """Give a silence of which only the ends matter."""
        return Silence(
            from_ns=from_ns,
            to_ns=to_ns,
            nth=0,
            before_ns=_NO_TIMES,
            before_data=_NO_DATA,
            after_ns=_NO_TIMES,
            after_data=_NO_DATA,
        )
