"""Ticks: what came in, cut at whole ticks of the clock, so that what is judged does not depend on how it came in."""

from collections.abc import Iterator

import numpy as np

from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import Taken

__all__ = ["Ticks"]


class Ticks:
    """Hands over frames tick by tick; those of a tick that is not over yet are kept for the next time.

    Parameters
    ----------
    tick_ns : ticks are whole multiples of it on the clock of the frames
    """

    def __init__(self, tick_ns: int) -> None:
        self._tick_ns = tick_ns
        self._held = FrameBlock.empty()
        self._at_ns: int | None = None

    def cut(self, taken: Taken) -> Iterator[tuple[FrameBlock, int]]:
        """Yield the frames before each tick that is over, and the tick; whoever stops early gets the rest next time."""
        self._held = FrameBlock.concat([self._held, taken.frames])
        if self._at_ns is None:
            first_ns = int(self._held.t_ns[0]) if len(self._held) else taken.heard_until_ns
            self._at_ns = first_ns // self._tick_ns * self._tick_ns
        while self._at_ns + self._tick_ns <= taken.heard_until_ns:
            self._at_ns += self._tick_ns
            n_before = int(np.searchsorted(self._held.t_ns, self._at_ns, side="left"))
            piece, self._held = self._held.slice(0, n_before), self._held.slice(n_before, len(self._held))
            yield piece, self._at_ns

    def rest(self) -> FrameBlock:
        """Give what is left when nothing more comes."""
        rest, self._held = self._held, FrameBlock.empty()
        return rest
