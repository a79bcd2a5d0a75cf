"""What one adapter gave and nobody took yet: messages as they came in, then columns with their times.

The reading thread adds messages, which is one step; everything else is done under the lock of whoever owns this.
"""

from typing import TYPE_CHECKING

import numpy as np

from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.clock import StampClock
from busdoc.capture.bus.frames import block_of
from busdoc.capture.bus.system_stamps import SystemStamps
from busdoc.capture.frames import FrameBlock

if TYPE_CHECKING:
    import can

__all__ = ["Received"]


class Received:
    """Messages of one bus, and their times.

    Parameters
    ----------
    channel : the bus's number in the frames
    most_waiting : messages beyond so many are not kept
    """

    def __init__(self, channel: int, most_waiting: int) -> None:
        self._channel = channel
        self._most_waiting = most_waiting
        self._interface = ""
        self._stamps: StampClock | SystemStamps = StampClock()
        self.moved_ns = 0
        """By how much the system's clock was known to be set."""
        self._unplaced = False
        """Whether frames may be on their way that were stamped before it was set."""
        self._pending: list[tuple[can.Message, int]] = []
        """Received and when; appended to by the thread and cut off at its head, each in one step."""
        self._settled: list[FrameBlock] = []
        self.last_t_ns: int | None = None
        """The time of the last frame that has one."""

    @property
    def lag_ns(self) -> int:
        """By how much a frame arrives later than its time even when nothing waits."""
        return self._stamps.lag_ns

    def from_adapter(self, opened: OpenAdapter, moved_ns: int) -> None:
        """Take what comes from now on for that of an adapter; by how much the system's clock was set, ns."""
        self._interface = opened.interface
        self.moved_ns, self._unplaced = moved_ns, False
        self._stamps = SystemStamps(moved_ns) if opened.system_stamped else StampClock()

    def add(self, batch: "list[can.Message]", now_ns: int) -> bool:
        """Add messages; False when not all of them were kept, because nobody takes them."""
        room = max(0, self._most_waiting - len(self._pending))
        self._pending += [(message, now_ns) for message in batch[:room]]
        return len(batch) <= room

    def settle(self, paused_ns: int = 0) -> FrameBlock | None:
        """Turn what is pending into columns, and give them; None when there is nothing.

        Parameters
        ----------
        paused_ns : for how long nobody had read before, ns
        """
        n = len(self._pending)
        if not n:
            return None
        pending = self._pending[:n]
        del self._pending[:n]
        messages = [message for message, _ in pending]
        arrival_ns = np.array([arrived_ns for _, arrived_ns in pending], np.int64)
        t_ns = self._stamps.place([message.timestamp for message in messages], arrival_ns, paused_ns=paused_ns)
        if self.last_t_ns is not None:
            t_ns = np.maximum(t_ns, self.last_t_ns)
        t_ns = np.maximum.accumulate(t_ns)
        self.last_t_ns = int(t_ns[-1])
        block = block_of(messages, t_ns, self._channel, self._interface)
        self._settled.append(block)
        return block

    def take(self) -> FrameBlock:
        """Give what is settled, once."""
        frames, self._settled = FrameBlock.concat(self._settled), []
        return frames

    def all_was_read(self) -> bool:
        """Whether that says something new: no frame is left that was stamped before the clock was set."""
        return self._unplaced

    def place_by_the_clock_as_it_is(self) -> None:
        """Place by the clock as it is set now what comes later; what came before is settled already."""
        if isinstance(self._stamps, SystemStamps):
            self._stamps.all_before_are_placed()
        self._unplaced = False

    def clock_was_set(self, moved_ns: int) -> int:
        """Take note of by how much the system's clock is set; give the step since the last time, ns."""
        step_ns, self.moved_ns = moved_ns - self.moved_ns, moved_ns
        if step_ns and isinstance(self._stamps, SystemStamps):
            self._stamps.clock_was_set(moved_ns)
            self._unplaced = True
        return step_ns
