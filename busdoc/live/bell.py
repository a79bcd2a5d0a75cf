"""The bell, with one meaning everywhere: one stroke, a controller is lost; two strokes, back in step.

Screen, plain session, `busdoc resync` and its watch hand what happens to a `Bell`, which decides about strokes; a
`TerminalBell` also makes them, for those that have no screen to do it.
"""

import time
from collections.abc import Callable, Iterable
from enum import IntEnum
from typing import TextIO

from busdoc.isolation.proposals.cure import CureOutcome
from busdoc.live.resync.news import NewsKind
from busdoc.live.view import HappeningKind
from busdoc.words.printable import own_stream

__all__ = ["Bell", "Rung", "TerminalBell"]

_STROKE = "\a"
_HOLD_S = 2.0
"""How long strokes of one meaning are held off after the last."""
_APART_S = 0.3
"""Between two strokes: terminals make one of two that come at once."""


class Rung(IntEnum):
    """What the bell says, by its strokes."""

    LOST = 1
    """A controller fell out of step: it is lost, it is not back in time, or it restarted."""
    BACK = 2
    """A controller, or after a power-up every one of them, is in step again; after a repair, it stayed so."""
    ALARM = 4
    """Hands are in danger: what was logged off is on."""


_SAYS: dict[HappeningKind | NewsKind | CureOutcome, Rung] = {
    HappeningKind.LOST: Rung.LOST,
    HappeningKind.RESTARTED: Rung.LOST,
    HappeningKind.SHOWS: Rung.LOST,
    HappeningKind.ALARM: Rung.ALARM,
    HappeningKind.CURED: Rung.BACK,
    HappeningKind.CAME_BACK: Rung.LOST,
    HappeningKind.BACK: Rung.BACK,
    NewsKind.LATE: Rung.LOST,
    NewsKind.RESTARTED: Rung.LOST,
    NewsKind.FELL: Rung.LOST,
    NewsKind.ALL_HOME: Rung.BACK,
    CureOutcome.INCIDENT: Rung.LOST,
    CureOutcome.SHOWS: Rung.LOST,
    CureOutcome.MISSING: Rung.LOST,
    CureOutcome.CURED: Rung.BACK,
}
"""Whatever is not here does not ring."""
_ALL_WELL = frozenset((NewsKind.ALL_HOME, HappeningKind.CURED, CureOutcome.CURED))
"""What no loss from before is rung after."""


class Bell:
    """Decides about strokes; makes none itself.

    Parameters
    ----------
    quiet : never ring
    hold_s : what follows so soon upon strokes of the same meaning rings once, together, when it is over
    """

    def __init__(self, *, quiet: bool = False, hold_s: float = _HOLD_S) -> None:
        self._quiet = quiet
        self._hold_s = hold_s
        self._free_at_s: dict[Rung, float] = {}
        self._waiting: set[Rung] = set()
        self._planned: list[float] = []

    def hear(self, kinds: Iterable[HappeningKind | NewsKind | CureOutcome]) -> None:
        """Take what happened."""
        if self._quiet:
            return
        for kind in kinds:
            if kind in _ALL_WELL:
                self._waiting.discard(Rung.LOST)
            if kind in _SAYS:
                self._waiting.add(_SAYS[kind])

    def ring(self, now_s: float) -> bool:
        """Say whether to make a stroke at this instant; asked some ten times a second."""
        for rung in self.due(now_s):
            begin_s = max([now_s, *(at_s + _APART_S for at_s in self._planned)])
            self._planned += [begin_s + k * _APART_S for k in range(rung)]
        due = [at_s for at_s in self._planned if at_s <= now_s]
        if due:
            self._planned.remove(due[0])
        return bool(due)

    def due(self, now_s: float) -> tuple[Rung, ...]:
        """Give what is to be rung at this instant, for who makes other sounds of it than strokes."""
        due = tuple(rung for rung in sorted(self._waiting) if now_s >= self._free_at_s.get(rung, 0.0))
        self._waiting.difference_update(due)
        self._free_at_s.update(dict.fromkeys(due, now_s + self._hold_s))
        return due

    def next_s(self) -> float | None:
        """Give the instant of the next stroke that is planned; None when there is none."""
        return min(self._planned, default=None)


class TerminalBell:
    """Rings the bell of a terminal; where the stream is none, or `quiet`, nothing is written.

    Parameters
    ----------
    stream : what the lines are written to
    hold_s : as of `Bell`
    clock_s : a clock that only goes on, s
    """

    def __init__(
        self,
        stream: TextIO,
        *,
        quiet: bool,
        hold_s: float = _HOLD_S,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._stream = own_stream(stream)
        self._clock_s = clock_s
        self._bell = Bell(quiet=quiet or not stream.isatty(), hold_s=hold_s)

    def hear(self, kinds: Iterable[HappeningKind | NewsKind | CureOutcome]) -> None:
        """Take what happened, and ring if it is time to."""
        self._bell.hear(kinds)
        self.tick()

    def tick(self) -> None:
        """Make the stroke that is due, if one is."""
        if self._bell.ring(self._clock_s()):
            self._stream.write(_STROKE)
            self._stream.flush()

    def finish(self, wait: Callable[[float], object]) -> None:
        """Make the strokes that are planned still; `wait` waits so many seconds, or gives True not to wait."""
        self.tick()
        while (at_s := self._bell.next_s()) is not None:
            if wait(max(0.0, at_s - self._clock_s())):
                return
            self.tick()
