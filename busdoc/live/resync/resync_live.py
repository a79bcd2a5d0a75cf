"""Resync while the clock runs: waits for the power-up, counts each controller home, and says when all are back.

The engine knows no terminal: `step` takes what came in and gives what became known, in order. What it says does not
depend on how the frames were cut into pieces.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.mark import append_action, begin_journal
from busdoc.analysis.case import Case
from busdoc.analysis.result import Result
from busdoc.analysis.resync import Resync, judge_resync, resync_result
from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FrameSource, Hearing
from busdoc.decode.database.database import Database
from busdoc.live.resync.following import ReturnFollowing
from busdoc.live.resync.frame_ticks import Ticks
from busdoc.live.resync.news import NewsKind, ReturnNews
from busdoc.live.resync.stages import ReturnEvent, Stage
from busdoc.machine.machine import Machine
from busdoc.resync_check.facts import SETTLING_NS
from busdoc.times import SECOND_NS

__all__ = ["ResyncLive"]

_SILENT_NS = SECOND_NS
"""So long without any frame, and the machine is off."""
_PRESS_NS = SECOND_NS // 2
"""Standard deviation of a press of the same person that throws the switch (common practice)."""
_TICK_NS = SECOND_NS // 10
"""How often the frames so far are judged while the machine comes; while it is on, once a second is enough."""


class ResyncLive:
    """Follows one power-up on live buses, or on a recording that is played back.

    Parameters
    ----------
    source : started by `start`
    machine : the map; empty when there is none: then those heard before the power cycle must come back
    database : None when there is none
    within_ns : after so long those that are missing are named; None: by the map's limits
    settle_ns : how long nobody may restart or raise a code after all are in step
    asked : what must be gone beside codes and the map's symptoms, as `--symptom` names it
    journal : the presses are kept there, each before it is told; None: in memory alone
    """

    def __init__(
        self,
        source: FrameSource,
        machine: Machine,
        database: Database | None = None,
        *,
        within_ns: int | None = None,
        settle_ns: int = SETTLING_NS,
        asked: str | None = None,
        journal: Path | None = None,
    ) -> None:
        self._source = source
        self.journal = journal
        self._case = Case(machine=machine, channels=source.channels, database=database, asked=asked)
        self._watches = Watches(self._case)
        self.following = ReturnFollowing(machine, within_ns=within_ns, settle_ns=settle_ns)
        """What is known of the power-up that is followed."""
        self._presses: list[Action] = []
        self._listened_from_ns: int | None = None
        self._heard_until_ns = 0
        self._last_frame_ns: int | None = None
        self._ticks = Ticks(source, self._watches, _TICK_NS)
        self._first_look_ns = 0
        self._hearing: dict[str, Hearing] = {}

    @property
    def stage(self) -> Stage:
        """How far it has come."""
        return self.following.stage

    @property
    def done(self) -> bool:
        """Whether the verdict stands."""
        return self.stage is Stage.DONE

    @property
    def source(self) -> FrameSource:
        """What is listened to."""
        return self._source

    @property
    def machine(self) -> Machine:
        """The map."""
        return self._case.machine

    @property
    def epoch(self) -> bool:
        """Whether times are Unix times."""
        return self._source.epoch

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        InputError : a bus that cannot be opened, a recording that cannot be read, or a journal that cannot be written
        """
        if self.journal is not None:
            begin_journal(self.journal)
        self._source.start()
        self._listened_from_ns = self._source.now_ns()

    def stop(self) -> None:
        """Let go of the adapters or files."""
        self._source.stop()

    def press(self, pressed_ns: int | None = None, note: str = "") -> int:
        """Take note that somebody switches the machine on; give when. It is in the journal when this returns.

        Parameters
        ----------
        pressed_ns : when it was pressed, where that was before now; None: at this instant
        note : who pressed it, say

        Raises
        ------
        InputError : it could not be written down
        """
        now_ns = self._source.now_ns()
        if pressed_ns is not None:
            now_ns = min(now_ns, max(pressed_ns, self._listened_from_ns or 0))
        if self.journal is not None:
            append_action(self.journal, now_ns, ActionKind.POWER_ON, note, uncertainty_ns=_PRESS_NS, once=True)
        n = len(self._presses) + 1
        self._presses.append(Action(n=n, time_ns=now_ns, uncertainty_ns=_PRESS_NS, kind=ActionKind.POWER_ON, part=None))
        return now_ns

    def step(self) -> tuple[ReturnNews, ...]:
        """Take what came in since the last step, up to where something became known; give that.

        Raises
        ------
        InputError : the recording turns out to be unreadable
        """
        self._ticks.take()
        news = list(self._bus_news())
        for piece, at_ns in self._ticks.cut():
            self._take_in(piece, at_ns)
            news += self._look(at_ns, bool(len(piece)))
            if news or self.done:
                return tuple(news)  # the rest waits for the next step: whoever listens may want to stop here
        if self._source.finished and not self.done:
            news += self._finish()
        return tuple(news)

    def result(self) -> Resync:
        """Judge everything heard so far."""
        found = self.following.found
        if found is None or found.health.until_ns < self._heard_until_ns:
            found = self.following.found = self._judge(self._heard_until_ns)
        return found

    def document(self) -> Result:
        """Give everything heard so far as the result of one analysis."""
        case = self._case.with_facts(self._watches.frames_by_channel, epoch=self.epoch)
        return resync_result(replace(self.result(), case=case), self._watches, self._presses)

    # One step

    def _take_in(self, piece: FrameBlock, until_ns: int) -> None:
        self._heard_until_ns = until_ns
        if not len(piece):
            return
        self._watches.feed(piece)
        if self._last_frame_ns is None:
            first_ns = int(piece.t_ns[0])
            self._first_look_ns = first_ns + SECOND_NS
            if self._listened_from_ns is not None and first_ns - self._listened_from_ns >= _SILENT_NS:
                self.following.happens(ReturnEvent.SILENCE)
        self._last_frame_ns = int(piece.t_ns[-1])

    def _look(self, until_ns: int, some: bool) -> list[ReturnNews]:
        """Judge what was heard so far, where that can tell something new."""
        if self._last_frame_ns is None:
            return self._nothing_yet(until_ns)
        if self.stage is Stage.SILENT and not some:
            return []
        quiet = until_ns - self._last_frame_ns >= _SILENT_NS
        if self.stage is Stage.LISTENING and not quiet and (until_ns < self._first_look_ns or until_ns % SECOND_NS):
            return []
        found = self._judge(until_ns)
        news = list(self.following.follow(found, until_ns))
        if self.stage is Stage.LISTENING:
            news += self.following.on_already(found, until_ns)
        if quiet and self.stage is Stage.LISTENING:
            self.following.happens(ReturnEvent.SILENCE)
            news.append(ReturnNews(kind=NewsKind.SILENT, time_ns=until_ns, text="all silent: switch it on"))
        return news

    def _nothing_yet(self, until_ns: int) -> list[ReturnNews]:
        """Say that not one frame came so far, once that says something."""
        listened_ns = until_ns - (until_ns if self._listened_from_ns is None else self._listened_from_ns)
        if listened_ns < _SILENT_NS or not self.following.told.is_new("nothing", "", True):
            return []
        self.following.happens(ReturnEvent.SILENCE)
        return [ReturnNews(kind=NewsKind.SILENT, time_ns=until_ns, text="nothing heard yet: switch it on")]

    def _judge(self, until_ns: int) -> Resync:
        return judge_resync(
            self._case,
            self._watches,
            self._presses,
            until_ns,
            open_gaps=self._ticks.open_gaps,
            listened_from_ns=self._listened_from_ns,
        )

    def _finish(self) -> Iterator[ReturnNews]:
        """End with the recording: what is left of it is judged as well."""
        rest = self._ticks.rest()
        if len(rest):
            self._take_in(rest, int(rest.t_ns[-1]))
        if self._last_frame_ns is not None:
            yield from self.following.follow(self._judge(self._heard_until_ns), self._heard_until_ns)
        if not self.done:
            self.following.happens(ReturnEvent.END)
            yield ReturnNews(kind=NewsKind.END, time_ns=self._heard_until_ns, text="the recording ends")

    def _bus_news(self) -> Iterator[ReturnNews]:
        """Say when an adapter is lost, comes back, or loses frames."""
        for bus in self._source.buses():
            before = self._hearing.get(bus.name)
            self._hearing[bus.name] = bus.hearing
            worth = {Hearing.ADAPTER_LOST, Hearing.OVERRUN}
            if before is not None and bus.hearing is not before and worth & {before, bus.hearing}:
                note = f" ({bus.note})" if bus.note else ""
                text = f"{bus.name}: {bus.hearing}{note}"
                yield ReturnNews(kind=NewsKind.BUS, time_ns=bus.since_ns, text=text)
