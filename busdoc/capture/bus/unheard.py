"""What one bus was not heard of, and why: the adapter away or off the bus, the laptop asleep or too slow.

Of each such stretch nobody is accused. It begins where the last frame before it stands.
"""

from dataclasses import replace

import numpy as np

from busdoc.capture.bus.absence import Absence
from busdoc.capture.bus.adapter import Drops
from busdoc.capture.bus.drops import DropWatch, ListeningPause
from busdoc.capture.bus.frames import off_bus, overflows
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import OVERRUN_SHOWN_NS
from busdoc.capture.reading import RecorderGap
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["PAUSE_NS", "STALL_NS", "Unheard", "from_last_frame"]

PAUSE_NS = SECOND_NS
"""A turn that took longer: the laptop slept, or the program was stopped."""
STALL_NS = 100 * MILLISECOND_NS
"""A turn that took longer, and not so long: the program had no processor time. A reading waits a fifth of that."""

_AWAY = "the adapter did not answer"
_OFF_BUS = "the adapter was off the bus (bus-off)"
_NOT_KEPT_UP = "the laptop did not keep up"
_ASLEEP = "the laptop did not listen"


class Unheard:
    """Collects the gaps of one bus.

    Parameters
    ----------
    channel : the bus's number
    now_ns : the time
    """

    def __init__(self, channel: int, now_ns: int) -> None:
        self._channel = channel
        self._gaps: list[RecorderGap] = []
        self._absence = Absence()
        self._drops = DropWatch(None, now_ns)
        self._pause: ListeningPause | None = None
        self._stalls: list[ListeningPause] = []
        self._sent_here = False
        self._dropping_since_ns: int | None = None
        self._overrun_ns: int | None = None
        self.is_off_bus = False
        """Whether the adapter said that it is off the bus, and was not heard since."""

    @property
    def away_from_ns(self) -> int | None:
        """Since when the adapter hears nothing, until its first frame; None: it hears."""
        return self._absence.from_ns

    @property
    def paused_ns(self) -> int:
        """How long the pause was that is being judged; 0 where there is none."""
        return 0 if self._pause is None else self._pause.paused_ns

    def overran_ns(self, now_ns: int) -> int | None:
        """Give when frames were lost in the laptop or its adapter, where that was a moment ago."""
        at_ns = self._overrun_ns
        return at_ns if at_ns is not None and now_ns - at_ns <= OVERRUN_SHOWN_NS else None

    def opened(self, drops: Drops | None, now_ns: int, *, sent_here: bool = False) -> None:
        """An adapter answers, for the first time or again; `sent_here`: who sends may stand still whenever we do."""
        self._drops, self._pause, self.is_off_bus = DropWatch(drops, now_ns), None, False
        self._stalls, self._sent_here = [], sent_here
        self._absence.opened(now_ns)

    def lost(self, from_ns: int) -> None:
        """The adapter does not answer, and was heard last then."""
        self.is_off_bus = False
        self._absence.begin(from_ns, _AWAY)

    def paused(self, now_ns: int, paused_ns: int) -> None:
        """Nobody read for so long, up to now."""
        self._pause = ListeningPause(now_ns, paused_ns)

    def stalled(self, now_ns: int, stalled_ns: int) -> None:
        """Nobody read for a moment, up to now: this program was given no processor time."""
        if self._sent_here or not self._drops.counts:  # else what was sent meanwhile is kept, or counted as dropped
            self._stalls.append(ListeningPause(now_ns, stalled_ns, is_stall=True))

    def not_kept(self, now_ns: int) -> None:
        """Frames are thrown away because nobody takes them, or there is no time left for them."""
        self._dropping_since_ns = self._dropping_since_ns or now_ns
        self._overrun_ns = now_ns

    def heard(self, block: FrameBlock) -> None:
        """End the adapter's absence with its first frame; begin another where it says that it is off the bus."""
        for first, is_off in off_bus(block, was_off=self.is_off_bus):
            t_ns = int(block.t_ns[first])
            if is_off:
                self._absence.begin(t_ns, _OFF_BUS)
            else:
                self._add(self._absence.over(t_ns, t_ns))
            self.is_off_bus = is_off

    def closed(self, now_ns: int) -> None:
        """Nobody listens any more."""
        self._add(self._absence.close(now_ns))

    def take_stretches(self, now_ns: int) -> tuple[list[RecorderGap], RecorderGap | None, int | None]:
        """Give the gaps that are over, that of an adapter that is away, and since when frames were thrown away.

        As this is quick, it can be done in one step with taking the frames; `judge` says the rest of these frames.
        """
        self._add(self._absence.over(None, now_ns))
        gaps, self._gaps = self._gaps, []
        from_ns = self._absence.from_ns
        is_open = from_ns is not None and now_ns > from_ns
        open_gap = self._gap(from_ns, now_ns, self._absence.why) if from_ns is not None and is_open else None
        dropping_ns, self._dropping_since_ns = self._dropping_since_ns, None
        return gaps, open_gap, dropping_ns

    def judge(
        self, frames: FrameBlock, before_ns: int | None, sure_ns: int, now_ns: int, dropping_ns: int | None
    ) -> list[RecorderGap]:
        """Give the gaps of an overrun and of a pause.

        Parameters
        ----------
        frames : those just taken
        before_ns : the time of the frame before them
        sure_ns : no earlier frame can still come
        dropping_ns : since when frames were thrown away; None: none were
        """
        if len(overflows(frames)):  # whoever judges the frames finds the gap in them, also in a recording
            self._overrun_ns = now_ns
        stretches = self._drops.look(now_ns, is_pause=self._pause is not None)
        if self._drops.last_drop_ns == now_ns:
            self._overrun_ns = now_ns
        if dropping_ns is not None:
            stretches.append((dropping_ns, now_ns))
        found = [self._gap(from_ns, to_ns, _NOT_KEPT_UP) for from_ns, to_ns in stretches]
        found += self._gap_of_a_pause(frames, before_ns, sure_ns)
        return found + self._gaps_of_stalls(frames, before_ns, sure_ns, now_ns)

    def _gap_of_a_pause(self, frames: FrameBlock, before_ns: int | None, sure_ns: int) -> list[RecorderGap]:
        pause = self._pause
        if pause is None:
            return []
        pause.feed(frames.t_ns, before_ns, sure_ns)
        if not pause.is_over:
            return []
        kept_all = self._drops.counts and not self._drops.dropped_in_pause and not self._sent_here
        self._pause, self._drops.dropped_in_pause = None, False
        if pause.hole_ns is None or kept_all:
            return []
        return [self._gap(*pause.hole_ns, _ASLEEP)]

    def _gaps_of_stalls(
        self, frames: FrameBlock, before_ns: int | None, sure_ns: int, now_ns: int
    ) -> list[RecorderGap]:
        stalls, self._stalls, found = self._stalls, [], []
        for stall in stalls:
            stall.feed(frames.t_ns, before_ns, sure_ns)
            if not stall.is_over:
                self._stalls.append(stall)
            elif stall.hole_ns is not None:
                self._overrun_ns = now_ns
                found.append(self._gap(*stall.hole_ns, _NOT_KEPT_UP))
        return found

    def _add(self, found: tuple[int, int, str] | None) -> None:
        if found is not None:
            self._gaps.append(self._gap(*found))

    def _gap(self, from_ns: int, to_ns: int, why: str) -> RecorderGap:
        return RecorderGap(from_ns=from_ns, to_ns=to_ns, channel=self._channel, why=why)


def from_last_frame(gap: RecorderGap, frames: FrameBlock, before_ns: int | None) -> RecorderGap:
    """Let a gap begin where the last frame before it stands, which is a little before that frame arrived."""
    row = int(np.searchsorted(frames.t_ns, gap.from_ns, side="right")) - 1
    last_ns = before_ns if row < 0 else int(frames.t_ns[row])
    if last_ns is None or not 0 < gap.from_ns - last_ns < PAUSE_NS:
        return gap
    return replace(gap, from_ns=last_ns)
