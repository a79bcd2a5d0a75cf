"""Resync while the clock runs: waits for the power-up, counts each controller home, and says when all are back.

The engine knows no terminal: `step` takes what came in and gives what became known, in order. What it says does not
depend on how the frames were cut into pieces.
"""

from collections.abc import Iterator, Sequence

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.result import Result
from busdoc.analysis.resync import Resync, ResyncWatches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FrameSource, Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.decode.database.database import Database
from busdoc.health.controller import ControllerState
from busdoc.live.frame_ticks import Ticks
from busdoc.live.return_news import NewsKind, ReturnNews, Stage
from busdoc.machine.machine import Machine
from busdoc.resync_check.facts import SETTLING_NS
from busdoc.resync_check.records import ControllerReturn, PowerUpReturn, ReturnFault, ReturnVerdict
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted

__all__ = ["ResyncLive"]

_WITHOUT_LIMIT_NS = 15 * SECOND_NS
"""Whoever is not back by then, where no limit is known, is missing (common practice)."""
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
    """

    def __init__(
        self,
        source: FrameSource,
        machine: Machine,
        database: Database | None = None,
        *,
        within_ns: int | None = None,
        settle_ns: int = SETTLING_NS,
    ) -> None:
        self._source = source
        self._machine = machine
        self._watches = ResyncWatches(machine, database, source.channels)
        self._within_ns = within_ns
        self._settle_ns = settle_ns
        self._presses: list[Action] = []
        self._stage = Stage.LISTENING
        self._listened_from_ns: int | None = None
        self._heard_until_ns = 0
        self._last_frame_ns: int | None = None
        self._ticks = Ticks(_TICK_NS)
        self._first_look_ns = 0
        self._open_gaps: tuple[RecorderGap, ...] = ()
        self._found: Resync | None = None
        self._followed_ns: int | None = None
        self._told: dict[tuple[str, str], object] = {}
        self._timed_out = False
        self._hearing: dict[str, Hearing] = {}

    @property
    def stage(self) -> Stage:
        """How far it has come."""
        return self._stage

    @property
    def done(self) -> bool:
        """Whether the verdict stands."""
        return self._stage is Stage.DONE

    @property
    def epoch(self) -> bool:
        """Whether times are Unix times."""
        return self._source.epoch

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        InputError : a bus that cannot be opened, or a recording that cannot be read
        """
        self._source.start()
        self._listened_from_ns = self._source.now_ns()

    def stop(self) -> None:
        """Let go of the adapters or files."""
        self._source.stop()

    def press(self) -> None:
        """Take note that somebody switches the machine on at this instant."""
        now_ns = self._source.now_ns()
        n = len(self._presses) + 1
        self._presses.append(Action(n=n, time_ns=now_ns, uncertainty_ns=_PRESS_NS, kind=ActionKind.POWER_ON, part=None))

    def step(self) -> tuple[ReturnNews, ...]:
        """Take what came in since the last step, up to where something became known; give that.

        Raises
        ------
        InputError : the recording turns out to be unreadable
        """
        taken = self._source.take()
        news = list(self._bus_news())
        for gap in taken.gaps:
            self._watches.note_gap(gap.from_ns, gap.to_ns, gap.channel, gap.why)
        self._open_gaps = taken.open_gaps
        for piece, at_ns in self._ticks.cut(taken):
            self._take_in(piece, at_ns)
            news += self._look(at_ns, bool(len(piece)))
            if news or self.done:
                return tuple(news)  # the rest waits for the next step: whoever listens may want to stop here
        if self._source.finished and not self.done:
            news += self._finish()
        return tuple(news)

    def result(self) -> Resync:
        """Judge everything heard so far."""
        if self._found is None or self._found.health.until_ns < self._heard_until_ns:
            self._found = self._judge(self._heard_until_ns)
        return self._found

    def document(self) -> Result:
        """Give everything heard so far as the result of one analysis."""
        return self._watches.as_result(self.result(), self._presses, epoch=self.epoch)

    @property
    def power_up(self) -> PowerUpReturn | None:
        """The power-up that is followed, as last judged; None before there was one."""
        if self._found is None or self._followed_ns is None:
            return None
        return next((one for one in self._found.power_ups if one.power_up.zero_ns == self._followed_ns), None)

    @property
    def verdict(self) -> ReturnVerdict:
        """That of the power-up that is followed; a controller that is missing at the time limit fails."""
        power_up = self.power_up
        if power_up is None:
            return ReturnVerdict.NO_LIMIT
        return ReturnVerdict.FAIL if self._timed_out and self.not_back() else power_up.verdict

    @property
    def timed_out(self) -> bool:
        """Whether the time limit passed before all were back."""
        return self._timed_out

    def not_back(self) -> tuple[str, ...]:
        """Name the controllers that are not in step, or were so only after the time limit."""
        power_up = self.power_up
        if power_up is None:
            return ()
        within_ns = self.within_ns()
        zero_ns = power_up.power_up.zero_ns or 0
        return tuple(
            one.name
            for one in power_up.controllers
            if one.steady_ns is None or (self._timed_out and one.steady_ns - zero_ns > within_ns)
        )

    def within_ns(self) -> int:
        """Give after how long those that are missing are named, from the first frame."""
        if self._within_ns is not None:
            return self._within_ns
        limits_ns = [one.spec.back_within_ns for one in self._machine.controllers.values()]
        known_ns = [limit_ns for limit_ns in limits_ns if limit_ns is not None]
        slowest_ns = max(known_ns, default=_WITHOUT_LIMIT_NS)
        if len(known_ns) < len(limits_ns):
            slowest_ns = max(slowest_ns, _WITHOUT_LIMIT_NS)
        return slowest_ns + self._settle_ns

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
                self._stage = Stage.SILENT
        self._last_frame_ns = int(piece.t_ns[-1])

    def _look(self, until_ns: int, some: bool) -> list[ReturnNews]:
        """Judge what was heard so far, where that can tell something new."""
        if self._last_frame_ns is None:
            return self._nothing_yet(until_ns)
        if self._stage is Stage.SILENT and not some:
            return []
        quiet = until_ns - self._last_frame_ns >= _SILENT_NS
        if self._stage is Stage.LISTENING and not quiet and (until_ns < self._first_look_ns or until_ns % SECOND_NS):
            return []
        self._found = self._judge(until_ns)
        news = list(self._follow(until_ns))
        if self._stage is Stage.LISTENING and self._is_new("on", "", True):
            news += self._on_already(until_ns)
        if quiet and self._stage is Stage.LISTENING:
            self._stage = Stage.SILENT
            news.append(ReturnNews(kind=NewsKind.SILENT, time_ns=until_ns, text="all silent: switch it on"))
        return news

    def _nothing_yet(self, until_ns: int) -> list[ReturnNews]:
        """Say that not one frame came so far, once that says something."""
        listened_ns = until_ns - (until_ns if self._listened_from_ns is None else self._listened_from_ns)
        if listened_ns < _SILENT_NS or not self._is_new("nothing", "", True):
            return []
        self._stage = Stage.SILENT
        return [ReturnNews(kind=NewsKind.SILENT, time_ns=until_ns, text="nothing heard yet: switch it on")]

    def _judge(self, until_ns: int) -> Resync:
        return self._watches.judge(
            self._presses, until_ns, open_gaps=self._open_gaps, listened_from_ns=self._listened_from_ns
        )

    def _on_already(self, until_ns: int) -> Iterator[ReturnNews]:
        """Say that a power cycle is wanted."""
        assert self._found is not None
        heard = {one.name for one in self._found.health.controllers if _is_heard(one.state)}
        mapped = set(self._machine.controllers)
        who = f"{len(heard & mapped)} of {len(mapped)} controllers" if mapped else f"{len(heard)} controllers"
        others = f" and {len(heard - mapped)} on no map" if mapped and heard - mapped else ""
        text = f"the machine is on, {who}{others} heard so far: switch it off for two seconds, then on"
        yield ReturnNews(kind=NewsKind.ON, time_ns=until_ns, text=text)

    def _follow(self, until_ns: int) -> Iterator[ReturnNews]:
        assert self._found is not None
        current = self._current()
        if current is None:
            return
        zero_ns = current.power_up.zero_ns
        assert zero_ns is not None
        if zero_ns != self._followed_ns:
            if self._followed_ns is not None and self._stage in (Stage.COMING, Stage.SETTLING):
                yield self._news(NewsKind.OFF_AGAIN, until_ns, "off and on again: counting anew")
            self._followed_ns = zero_ns
            self._told.clear()
            self._stage = Stage.COMING
            many = len(current.controllers)
            who = "power-up" if current.power_up.feed is None else f"power-up of {current.power_up.feed}"
            text = f"{who}, {counted(many, 'controller')} to come back"
            yield ReturnNews(kind=NewsKind.POWER, time_ns=zero_ns, text=text, after_ns=0, due=many)
        for one in sorted(current.controllers, key=lambda one: (one.steady_ns is None, one.steady_ns or 0, one.name)):
            yield from self._of_controller(one, current, until_ns)
        yield from self._ends(current, until_ns)

    def _current(self) -> PowerUpReturn | None:
        """Give the power-up to follow: the machine's latest, else a feed's."""
        assert self._found is not None
        whole = [one for one in self._found.power_ups if one.power_up.whole and one.power_up.zero_ns is not None]
        machine = [one for one in whole if one.power_up.feed is None]
        return (machine or whole)[-1] if whole else None

    def _of_controller(self, one: ControllerReturn, current: PowerUpReturn, until_ns: int) -> Iterator[ReturnNews]:
        zero_ns = current.power_up.zero_ns or 0
        for t_ns in one.restarts_ns:
            if self._is_new("restart", f"{one.name} {t_ns}", t_ns):
                yield self._news(NewsKind.RESTARTED, t_ns, "restarted", one, current)
        for code in one.codes:
            if self._is_new("code", f"{one.name} {code}", code):
                yield self._news(NewsKind.CODE, until_ns, f"fault code {code}", one, current)
        if one.steady_ns is not None:
            if self._is_new("home", one.name, len(one.restarts_ns)):
                in_time = one.limit_ns is None or one.steady_ns - zero_ns <= one.limit_ns
                text = "in step" if in_time else "in step, but late"
                yield self._news(NewsKind.HOME, one.steady_ns, text, one, current)
        elif one.limit_ns is not None and until_ns - zero_ns > one.limit_ns and not one.restarts_ns:
            text = "not one frame yet" if one.first_ns is None else "not in step yet"
            if self._is_new("late", one.name, one.limit_ns):
                yield self._news(NewsKind.LATE, zero_ns + one.limit_ns, text, one, current)

    def _ends(self, current: PowerUpReturn, until_ns: int) -> Iterator[ReturnNews]:
        """Tell when all are back, when they have settled, and when time is up."""
        zero_ns = current.power_up.zero_ns or 0
        steady_ns = [one.steady_ns for one in current.controllers if one.steady_ns is not None]
        n_restarts = sum(len(one.restarts_ns) for one in current.controllers)
        all_home = bool(steady_ns) and len(steady_ns) == len(current.controllers)
        if not all_home:
            self._stage = Stage.COMING
            self._told.pop(("all home", ""), None)
            if until_ns - zero_ns > self.within_ns():
                self._timed_out = True
                yield from self._name_missing(current, zero_ns + self.within_ns())
                self._stage = Stage.DONE
            return
        last_ns = max(steady_ns)
        if last_ns - zero_ns > self.within_ns():
            self._timed_out = True
            yield from self._name_missing(current, zero_ns + self.within_ns())
            self._stage = Stage.DONE
            return
        if self._is_new("all home", "", n_restarts):
            self._stage = Stage.SETTLING
            text = (
                f"all back in step after {(last_ns - zero_ns) / SECOND_NS:.1f} s; "
                f"{self._settle_ns / SECOND_NS:.0f} s more for restarts and codes"
            )
            yield self._news(NewsKind.ALL_HOME, last_ns, text, None, current)
        if until_ns - last_ns >= self._settle_ns:
            self._stage = Stage.DONE

    def _name_missing(self, current: PowerUpReturn, time_ns: int) -> Iterator[ReturnNews]:
        for one in current.controllers:
            if one.name in self.not_back() and self._is_new("missing", one.name, time_ns):
                text = (
                    "missing: not one frame"
                    if ReturnFault.MISSING in one.faults or one.first_ns is None
                    else ("not in step when time was up")
                )
                yield self._news(NewsKind.LATE, time_ns, text, one, current)

    def _finish(self) -> Iterator[ReturnNews]:
        """End with the recording: what is left of it is judged as well."""
        rest = self._ticks.rest()
        if len(rest):
            self._take_in(rest, int(rest.t_ns[-1]))
        if self._last_frame_ns is not None:
            self._found = self._judge(self._heard_until_ns)
            yield from self._follow(self._heard_until_ns)
        if not self.done:
            self._stage = Stage.DONE
            yield ReturnNews(kind=NewsKind.END, time_ns=self._heard_until_ns, text="the recording ends")

    def _news(
        self,
        kind: NewsKind,
        time_ns: int,
        text: str,
        one: ControllerReturn | None = None,
        current: PowerUpReturn | None = None,
    ) -> ReturnNews:
        controllers: Sequence[ControllerReturn] = () if current is None else current.controllers
        zero_ns = None if current is None else current.power_up.zero_ns
        home = sum(
            other.steady_ns is not None and (one is None or one.steady_ns is None or other.steady_ns <= one.steady_ns)
            for other in controllers
        )
        return ReturnNews(
            kind=kind,
            time_ns=time_ns,
            text=text,
            after_ns=None if zero_ns is None else time_ns - zero_ns,
            controller=None if one is None else one.name,
            limit_ns=None if one is None else one.limit_ns,
            home=home,
            due=len(controllers),
        )

    def _is_new(self, what: str, name: str, value: object) -> bool:
        """Tell whether this was not said yet, and take note of it."""
        if self._told.get((what, name)) == value:
            return False
        self._told[(what, name)] = value
        return True

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


def _is_heard(state: ControllerState) -> bool:
    return state not in (ControllerState.NEVER_SEEN, ControllerState.LOST)
