"""Stamps that the kernel gives: the system's own clock, read as each frame came in, so they are taken as they are.

However late a frame is read, its stamp stands. Only a clock that is set while it is listened to must not reach the
times: from then on what it was set by is taken out again. Frames that still waited then carry the clock as it was, and
the order of their stamps tells where it changed.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.bus.clock import stamps_ns
from busdoc.times import MILLISECOND_NS

__all__ = ["SystemStamps"]

_NEAR_NS = MILLISECOND_NS


class SystemStamps:
    """Gives the times of frames that the system's clock stamped.

    Parameters
    ----------
    moved_ns : by how much that clock was set since listening began, ns
    """

    lag_ns = 0

    def __init__(self, moved_ns: int = 0) -> None:
        self._moved_ns = moved_ns
        self._coming_ns = moved_ns
        """By how much it is set for frames that came in after it was set again."""
        self._last_ns: int | None = None
        """The last stamp."""

    def clock_was_set(self, moved_ns: int) -> None:
        """Take note of it; frames that are on their way may still have the clock as it was."""
        self._coming_ns = moved_ns

    def all_before_are_placed(self) -> None:
        """Take note that no frame is left that was stamped before the clock was set."""
        self._moved_ns = self._coming_ns

    def place(self, stamp_s: Sequence[float], arrival_ns: Int64Array, *, paused_ns: int = 0) -> Int64Array:
        """Give the times of frames; arguments and result as those of `StampClock.place`.

        A stamp that can be no time is replaced by the arrival.
        """
        stamp_ns, is_usable = stamps_ns(stamp_s)
        arrival_ns = arrival_ns // 1000 * 1000
        moved_ns = np.full(len(stamp_ns), self._moved_ns, np.int64)
        if self._coming_ns != self._moved_ns:
            first = self._first_after(stamp_ns, arrival_ns, is_usable)
            if first < len(stamp_ns):
                moved_ns[first:] = self._coming_ns
                self.all_before_are_placed()
        usable = np.flatnonzero(is_usable)
        if len(usable):
            self._last_ns = int(stamp_ns[usable[-1]])
        moved_ns = moved_ns // 1000 * 1000
        return np.where(is_usable, stamp_ns - moved_ns, arrival_ns)

    def _first_after(self, stamp_ns: Int64Array, arrival_ns: Int64Array, is_usable: BoolArray) -> int:
        """Find the first frame that was stamped after the clock was set; the number of frames when it is not there."""
        step_ns = self._coming_ns - self._moved_ns
        last_ns = self._last_ns
        for row in np.flatnonzero(is_usable).tolist():
            here_ns = int(stamp_ns[row])
            if here_ns - self._moved_ns > int(arrival_ns[row]) + _NEAR_NS:
                return int(row)  # it cannot have come in before it came
            if last_ns is not None:
                went_on_ns = here_ns - last_ns
                if went_on_ns < -_NEAR_NS or went_on_ns >= step_ns - _NEAR_NS > 0:
                    return int(row)
            last_ns = here_ns
        return len(stamp_ns)
