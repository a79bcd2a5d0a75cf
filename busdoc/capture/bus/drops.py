"""When frames were dropped because nobody read them in time.

By the adapter's own count: the stretch between two looks at it. Around a pause of this program, in which only a buffer
listened: the widest hole in what the buffer gives back.
"""

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.bus.adapter import Drops
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["HOLE_NS", "DropWatch", "ListeningPause"]

_APART_NS = SECOND_NS
"""Looks further apart than this: very likely nobody ran between them, which the reading thread is about to find."""

HOLE_NS = 250 * MILLISECOND_NS
"""Frames further apart around a pause: what came between was not kept anywhere."""

STALL_HOLE_NS = 100 * MILLISECOND_NS
"""The same around a short stall of this program, and within it: nobody at all for so long, on a machine's bus, is no
accident beside it (common practice: something is sent every few ms)."""


class DropWatch:
    """Looks at one adapter's count now and then."""

    def __init__(self, drops: Drops | None, now_ns: int) -> None:
        self._drops = drops
        self._n_drops = 0
        self._looked_ns = now_ns
        self._unplaced: tuple[int, int] | None = None
        self.last_drop_ns: int | None = None
        """When a look found drops last."""
        self.dropped_in_pause = False
        """Whether some were dropped in the pause that is being judged; whoever judges it takes that back."""

    @property
    def counts(self) -> bool:
        """Whether the operating system counts at all: if so, no drops mean that everything was kept."""
        return self._drops is not None

    def look(self, now_ns: int, *, is_pause: bool) -> list[tuple[int, int]]:
        """Give the stretches, ns, in which frames were dropped; in a pause they lie in the pause's own gap instead."""
        found = []
        if self._unplaced is not None and not is_pause:
            found.append(self._unplaced)
        elif self._unplaced is not None:
            self.dropped_in_pause = True
        self._unplaced = None
        n_drops = self._count()
        if n_drops != self._n_drops:
            self.last_drop_ns = now_ns
            if is_pause:
                self.dropped_in_pause = True
            elif now_ns - self._looked_ns > _APART_NS:
                self._unplaced = self._looked_ns, now_ns
            else:
                found.append((self._looked_ns, now_ns))
        self._n_drops, self._looked_ns = n_drops, now_ns
        return found

    def _count(self) -> int:
        if self._drops is None:
            return 0
        try:
            return self._drops.count()
        except OSError:  # it is gone with its socket
            return self._n_drops


class ListeningPause:
    """Finds the hole that a pause left: the widest between the frames that a buffer gives back.

    It begins with the last that was kept, and goes on until there is room again, which is a little after the pause.
    """

    def __init__(self, awoke_ns: int, paused_ns: int, *, is_stall: bool = False) -> None:
        self.paused_ns = paused_ns
        """How long it was."""
        self._is_stall = is_stall
        self._least_hole_ns = STALL_HOLE_NS if is_stall else HOLE_NS
        self._awoke_ns = awoke_ns
        self._slept_ns = awoke_ns - paused_ns
        self._hole = (0, 0)
        self._is_over = False

    @property
    def is_over(self) -> bool:
        """Whether everything that a buffer kept was given back."""
        return self._is_over

    @property
    def hole_ns(self) -> tuple[int, int] | None:
        """From when to when nothing was kept; None when everything was."""
        from_ns, to_ns = self._hole
        return self._hole if to_ns - from_ns > self._least_hole_ns else None

    def feed(self, t_ns: Int64Array, before_ns: int | None, sure_ns: int) -> None:
        """Take the frames given back so far.

        Parameters
        ----------
        t_ns : (n,) int64, ns, their times
        before_ns : the time of the frame before them
        sure_ns : no earlier frame can still come
        """
        began_ns = self._slept_ns if before_ns is None else max(before_ns, self._slept_ns)
        edges_ns = np.concatenate((np.array([began_ns], np.int64), t_ns[t_ns > began_ns]))
        is_drained = sure_ns >= self._awoke_ns
        if is_drained and edges_ns[-1] < self._awoke_ns:
            edges_ns = np.append(edges_ns, self._awoke_ns)
        if self._is_stall:  # no buffer was full: what comes after it was not lost by it
            edges_ns = edges_ns[: int(np.searchsorted(edges_ns, self._awoke_ns)) + 1]
        steps_ns = np.diff(edges_ns)
        if len(steps_ns):
            widest = int(np.argmax(steps_ns))
            if steps_ns[widest] > self._hole[1] - self._hole[0]:
                self._hole = int(edges_ns[widest]), int(edges_ns[widest + 1])
        self._is_over = is_drained or bool(edges_ns[-1] >= self._awoke_ns)
