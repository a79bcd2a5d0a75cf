"""A pause in which nobody read a bus: the laptop slept, or the program was stopped; what of it was not kept?"""

import numpy as np

from busdoc.arrays import Int64Array

__all__ = ["HOLE_NS", "ListeningPause"]

HOLE_NS = 250_000_000
"""Frames further apart around a pause: what came between was not kept anywhere."""


class ListeningPause:
    """Finds the hole that a pause left: the widest between the frames that a buffer gives back.

    It begins with the last that was kept, and goes on until there is room again, which is a little after the pause.
    """

    def __init__(self, awoke_ns: int, paused_ns: int) -> None:
        self.paused_ns = paused_ns
        """How long it was."""
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
        return self._hole if to_ns - from_ns > HOLE_NS else None

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
        steps_ns = np.diff(edges_ns)
        if len(steps_ns):
            widest = int(np.argmax(steps_ns))
            if steps_ns[widest] > self._hole[1] - self._hole[0]:
                self._hole = int(edges_ns[widest]), int(edges_ns[widest + 1])
        self._is_over = is_drained or bool(edges_ns[-1] >= self._awoke_ns)
