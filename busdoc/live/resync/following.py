"""Following a return: what each judgement of it adds to what was known, stage by stage.

It takes judgements and knows neither source nor clock; how often it is asked does not change what it says in the end.
"""

from collections.abc import Iterator

from busdoc.analysis.resync import Resync
from busdoc.health.controller import ControllerState
from busdoc.live.resync.news import NewsKind, ReturnNews, Told, is_home, news
from busdoc.live.resync.stages import ReturnEvent, Stage, stage_after
from busdoc.machine.machine import Machine
from busdoc.resync_check.records import ControllerReturn, PowerUpReturn, ReturnFault, ReturnVerdict
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted

__all__ = ["ReturnFollowing"]

_WITHOUT_LIMIT_NS = 15 * SECOND_NS
"""Whoever is not back by then, where no limit is known, is missing (common practice)."""
_ALONE_NS = SECOND_NS
"""So long others are waited for before a fall is told: who goes with the power goes within a second of the rest."""


class ReturnFollowing:
    """Follows the latest power-up through the judgements of a return.

    Parameters
    ----------
    machine : the map; empty when there is none: then those heard before the power cycle must come back
    within_ns : after so long those that are missing are named; None: by the map's limits
    settle_ns : how long nobody may restart or raise a code after all are in step

    Attributes
    ----------
    stage : how far it has come
    told : what was said
    found : as judged last; None before
    timed_out : the time limit passed before all were back
    """

    def __init__(self, machine: Machine, *, within_ns: int | None, settle_ns: int) -> None:
        self.stage = Stage.LISTENING
        self.told = Told()
        self.timed_out = False
        self._machine = machine
        self._within_ns = within_ns
        self._settle_ns = settle_ns
        self.found: Resync | None = None
        self._followed_ns: int | None = None
        self._fell_ns: dict[str, int] = {}
        """Since when each that fell again is known to be silent."""

    def happens(self, event: ReturnEvent) -> None:
        """Go on to the stage that an event leads to."""
        self.stage = stage_after(self.stage, event)

    @property
    def power_up(self) -> PowerUpReturn | None:
        """The power-up that is followed, as last judged; None before there was one."""
        if self.found is None or self._followed_ns is None:
            return None
        return next((one for one in self.found.power_ups if one.power_up.zero_ns == self._followed_ns), None)

    @property
    def verdict(self) -> ReturnVerdict:
        """That of the power-up that is followed; a controller that is missing at the time limit fails."""
        power_up = self.power_up
        if power_up is None:
            return ReturnVerdict.NO_LIMIT
        return ReturnVerdict.FAIL if self.timed_out and self.not_back() else power_up.verdict

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
            if not is_home(one) or (self.timed_out and (one.steady_ns or 0) - zero_ns > within_ns)
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

    def follow(self, found: Resync, until_ns: int) -> Iterator[ReturnNews]:
        """Give what a judgement adds.

        Parameters
        ----------
        found : as judged up to `until_ns`
        """
        self.found = found
        current = self._current()
        if current is None:
            return
        zero_ns = current.power_up.zero_ns
        assert zero_ns is not None
        if zero_ns != self._followed_ns:
            if self._followed_ns is not None and self.stage in (Stage.COMING, Stage.SETTLING):
                yield ReturnNews(kind=NewsKind.OFF_AGAIN, time_ns=until_ns, text="off and on again: counting anew")
            self._followed_ns = zero_ns
            self.told.clear()
            self._fell_ns.clear()
            self.happens(ReturnEvent.POWER_UP)
            many = len(current.controllers)
            who = "power-up" if current.power_up.feed is None else f"power-up of {current.power_up.feed}"
            text = f"{who}, {counted(many, 'controller')} to come back"
            yield ReturnNews(kind=NewsKind.POWER, time_ns=zero_ns, text=text, after_ns=0, due=many)
        for one in sorted(current.controllers, key=lambda one: (one.steady_ns is None, one.steady_ns or 0, one.name)):
            yield from self._of_controller(one, current, until_ns)
        yield from self._ends(current, until_ns)

    def on_already(self, found: Resync, until_ns: int) -> Iterator[ReturnNews]:
        """Say, once, that the machine is on and a power cycle is wanted."""
        if not self.told.is_new("on", "", True):
            return
        heard = {one.name for one in found.health.controllers if _is_heard(one.state)}
        mapped = set(self._machine.controllers)
        who = (
            f"{len(heard & mapped)} of {counted(len(mapped), 'controller')}"
            if mapped
            else counted(len(heard), "controller")
        )
        others = f" and {len(heard - mapped)} on no map" if mapped and heard - mapped else ""
        text = f"the machine is on, {who}{others} heard so far: switch it off for two seconds, then on"
        yield ReturnNews(kind=NewsKind.ON, time_ns=until_ns, text=text)

    def _current(self) -> PowerUpReturn | None:
        """Give the power-up to follow: the machine's latest, else a feed's."""
        assert self.found is not None
        whole = [one for one in self.found.power_ups if one.power_up.whole and one.power_up.zero_ns is not None]
        machine = [one for one in whole if one.power_up.feed is None]
        return (machine or whole)[-1] if whole else None

    def _of_controller(self, one: ControllerReturn, current: PowerUpReturn, until_ns: int) -> Iterator[ReturnNews]:
        zero_ns = current.power_up.zero_ns or 0
        for t_ns in one.restarts_ns:
            if self.told.is_new("restart", f"{one.name} {t_ns}", t_ns):
                yield news(NewsKind.RESTARTED, t_ns, "restarted", current, one)
        for code in one.codes:
            if self.told.is_new("code", f"{one.name} {code}", code):
                yield news(NewsKind.CODE, until_ns, f"fault code {code}", current, one)
        if one.fell_again:
            # What it was before counts no more: it must come home again, and is told when it does.
            self.told.forget("home", one.name)
            since_ns = self._fell_ns.setdefault(one.name, until_ns)
            if until_ns - since_ns >= _ALONE_NS and self.told.is_new("fell", one.name, since_ns):
                yield news(NewsKind.FELL, since_ns, "fell silent again", current, one)
            return
        self._fell_ns.pop(one.name, None)
        if one.steady_ns is not None:
            if self.told.is_new("home", one.name, len(one.restarts_ns)):
                in_time = one.limit_ns is None or one.steady_ns - zero_ns <= one.limit_ns
                text = "in step" if in_time else "in step, but late"
                yield news(NewsKind.HOME, one.steady_ns, text, current, one)
        elif one.limit_ns is not None and until_ns - zero_ns > one.limit_ns and not one.restarts_ns:
            text = "not one frame yet" if one.first_ns is None else "not in step yet"
            if self.told.is_new("late", one.name, one.limit_ns):
                yield news(NewsKind.LATE, zero_ns + one.limit_ns, text, current, one)

    def _ends(self, current: PowerUpReturn, until_ns: int) -> Iterator[ReturnNews]:
        """Tell when all are back, when they have settled, and when time is up."""
        zero_ns = current.power_up.zero_ns or 0
        steady_ns = [one.steady_ns for one in current.controllers if one.steady_ns is not None and is_home(one)]
        all_home = bool(steady_ns) and len(steady_ns) == len(current.controllers)
        last_ns = max(steady_ns) if all_home else until_ns
        # One that is away, or away again, lets it be told anew when all are home.
        if not all_home:
            self.happens(ReturnEvent.ONE_AWAY)
            self.told.forget("all home")
        # Time may be up before all are home, or have been when the last one came.
        if last_ns - zero_ns > self.within_ns():
            self.timed_out = True
            yield from self._name_missing(current, zero_ns + self.within_ns())
            self.happens(ReturnEvent.TIME_UP)
            return
        if not all_home:
            return
        # All home: a while more for restarts and codes.
        self.happens(ReturnEvent.ALL_HOME)
        if self.told.is_new("all home", "", sum(len(one.restarts_ns) for one in current.controllers)):
            text = (
                f"all back in step after {(last_ns - zero_ns) / SECOND_NS:.1f} s; "
                f"{self._settle_ns / SECOND_NS:.0f} s more for restarts and codes"
            )
            yield news(NewsKind.ALL_HOME, last_ns, text, current)
        if until_ns - last_ns >= self._settle_ns:
            self.happens(ReturnEvent.SETTLED)

    def _name_missing(self, current: PowerUpReturn, time_ns: int) -> Iterator[ReturnNews]:
        for one in current.controllers:
            if one.name in self.not_back() and self.told.is_new("missing", one.name, time_ns):
                text = "not in step when time was up"
                if ReturnFault.MISSING in one.faults or one.first_ns is None:
                    text = "missing: not one frame"
                elif one.fell_again:
                    text = "missing: fell silent again"
                yield news(NewsKind.LATE, time_ns, text, current, one)


def _is_heard(state: ControllerState) -> bool:
    return state not in (ControllerState.NEVER_SEEN, ControllerState.LOST)
