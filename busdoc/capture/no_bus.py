"""No bus at all: a source of frames that never come, for machines without a free plug.

The session's clock goes on, presses and what people see are kept, and nothing is anybody's silence.
"""

import time
from collections.abc import Callable

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import BusState, Taken

__all__ = ["NoBus"]


class NoBus:
    """Nothing is listened to.

    Parameters
    ----------
    clock_ns : Unix time, ns
    """

    def __init__(self, clock_ns: Callable[[], int] = time.time_ns) -> None:
        self.channels = ChannelTable()
        self.epoch = True
        self._clock_ns = clock_ns
        self._stopped = False

    @property
    def finished(self) -> bool:
        """Whether nothing more can come: once it was stopped."""
        return self._stopped

    def start(self) -> None:
        """Begin; there is nothing to open."""

    def stop(self) -> None:
        """End."""
        self._stopped = True

    def now_ns(self) -> int:
        """Give the time of the laptop's clock."""
        return self._clock_ns()

    def take(self) -> Taken:
        """Hand over nothing, heard until now."""
        return Taken(frames=FrameBlock.empty(), gaps=(), heard_until_ns=self._clock_ns())

    def buses(self) -> tuple[BusState, ...]:
        """Name no bus."""
        return ()
