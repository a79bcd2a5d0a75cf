"""What the simpler hosts share: answers that are given again to a press that is sent again, and what was told."""

import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import tzinfo

from busdoc.capture.listening import FrameSource
from busdoc.isolation.proposals.cure import CureOutcome
from busdoc.live.bell import Bell
from busdoc.live.resync.news import NewsKind
from busdoc.live.view import HappeningKind
from busdoc.page.press import Answer, Press
from busdoc.page.sounds import Sounds
from busdoc.screen.drawing.words import bus_name, moment
from busdoc.times import SECOND_NS

__all__ = ["Answers", "Lately", "bus_notes", "pressed_ns", "time_of_day"]

_MOST_ANSWERS = 1000
_KEPT = 30


class Answers:
    """The answers that were given, so that a press that is sent again does nothing more."""

    def __init__(self) -> None:
        self._given: OrderedDict[str, Answer] = OrderedDict()

    def given(self, press: Press) -> Answer | None:
        """Give the answer that this press had; None: it is new."""
        return self._given.get(press.mark)

    def keep(self, press: Press, answer: Answer) -> Answer:
        """Keep the answer to a press, and give it."""
        self._given[press.mark] = answer
        while len(self._given) > _MOST_ANSWERS:
            self._given.popitem(last=False)
        return answer


class Lately:
    """What was told last, with its sounds.

    Parameters
    ----------
    bell : decides what is rung
    """

    def __init__(self, bell: Bell, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.sounds = Sounds(bell)
        self._clock_s = clock_s
        self._n = 0
        self._kept: list[tuple[int, Mapping[str, object]]] = []
        """(when it happened, ns, and how it is shown), ascending."""
        self._is_new = False

    def tell(
        self,
        at: str,
        text: str,
        *,
        time_ns: int,
        kind: str = "",
        rings: Iterable[HappeningKind | NewsKind | CureOutcome] = (),
        aloud: bool = True,
        n: int | None = None,
    ) -> None:
        """Take one thing that happened.

        Parameters
        ----------
        at : when, in words
        time_ns : when
        n : its number, where it has one; else the next is taken
        """
        self._n = self._n + 1 if n is None else n
        self.sounds.hear(rings)
        said = self.sounds.said(text) if aloud else ""
        self._kept.append((time_ns, {"n": self._n, "at": at, "kind": kind, "text": text, "say": said}))
        # A loss is known a deadline after it, when what came later may have been told already.
        self._kept.sort(key=lambda one: one[0])
        del self._kept[:-_KEPT]
        self._is_new = True

    def amend(self, texts: Mapping[object, str]) -> None:
        """Word anew what was told, by its number; it is neither rung nor said again."""
        self._kept = [(t, {**one, "text": texts.get(one["n"], one["text"])}) for t, one in self._kept]
        self._is_new = True

    def tick(self) -> bool:
        """Let the bell ring where it is due; True: something is new since the last time."""
        rung, new = self.sounds.tick(self._clock_s()), self._is_new
        self._is_new = False
        return rung or new

    @property
    def latest_first(self) -> Sequence[Mapping[str, object]]:
        """What was told, by when it happened."""
        return [one for _, one in reversed(self._kept)]


def pressed_ns(source: FrameSource, press: Press, server_s: float) -> int:
    """Give when it was pressed on the clock of the frames: so long ago, at the pace of the source."""
    speed = float(getattr(source, "speed", 1.0))
    age_s = max(0.0, server_s - press.at_s)
    return source.now_ns() - (round(age_s * speed * SECOND_NS) if speed < 1e6 else 0)


def bus_notes(source: FrameSource) -> list[str]:
    """Say how each bus is heard."""
    return [f"{bus_name(bus)} {bus.hearing}" for bus in source.buses()]


def time_of_day(t_ns: int, start_ns: int, source: FrameSource, zone: tzinfo | None) -> str:
    """Write an instant of a source."""
    return moment(t_ns, start_ns, epoch=source.epoch, zone=zone)
