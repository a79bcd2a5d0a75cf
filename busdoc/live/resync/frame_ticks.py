"""Ticks: what a source brings, cut at whole ticks of the clock, so that what is judged does not depend on how."""

from collections.abc import Iterator

import numpy as np

from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FrameSource
from busdoc.capture.reading import RecorderGap

__all__ = ["Ticks"]


class Ticks:
    """Hands over frames tick by tick; those of a tick that is not over yet are kept for the next time.

    Parameters
    ----------
    source : what is listened to
    watches : are told of what was not heard, at once; frames are fed to them by whoever judges
    tick_ns : ticks are whole multiples of it on the clock of the frames

    Attributes
    ----------
    open_gaps : what is not heard right now
    """

    def __init__(self, source: FrameSource, watches: Watches, tick_ns: int) -> None:
        self.open_gaps: tuple[RecorderGap, ...] = ()
        self._source = source
        self._watches = watches
        self._tick_ns = tick_ns
        self._held = FrameBlock.empty()
        self._heard_ns = 0
        self._at_ns: int | None = None

    def take(self) -> None:
        """Take what came in.

        Raises
        ------
        InputError : the recording that is played turns out to be unreadable
        """
        taken = self._source.take()
        self._watches.note_gaps(taken.gaps)
        self.open_gaps = taken.open_gaps
        self._held = FrameBlock.concat([self._held, taken.frames])
        self._heard_ns = taken.heard_until_ns

    def cut(self) -> Iterator[tuple[FrameBlock, int]]:
        """Yield the frames before each tick that is over, and the tick; whoever stops early gets the rest next time."""
        # The first tick is the one that the first frame lies in, or, before there is one, that of the clock.
        if self._at_ns is None:
            first_ns = int(self._held.t_ns[0]) if len(self._held) else self._heard_ns
            self._at_ns = first_ns // self._tick_ns * self._tick_ns
        # A tick is over once everything up to it was handed over.
        while self._at_ns + self._tick_ns <= self._heard_ns:
            self._at_ns += self._tick_ns
            n_before = int(np.searchsorted(self._held.t_ns, self._at_ns, side="left"))
            piece, self._held = self._held.slice(0, n_before), self._held.slice(n_before, len(self._held))
            yield piece, self._at_ns

    def rest(self) -> FrameBlock:
        """Give what is left when nothing more comes."""
        rest, self._held = self._held, FrameBlock.empty()
        return rest
