"""A practice machine heard like a bus: a source of frames whose clock is handed in, and hands that are slow.

Everything is named by what it is: the channels are called ``practice0``, ``practice1``, …, so that no recording of it,
wherever it ends up, can be taken for that of a machine.
"""

import time
from collections.abc import Callable

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.capture.channels import PRACTICE, ChannelTable
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.errors import InputError
from busdoc.simulation.practice.machine import PracticeMachine
from busdoc.simulation.press_law import draw_lag_s
from busdoc.simulation.scenario.scenario import Scenario
from busdoc.times import SECOND_NS

__all__ = ["PracticeBus"]

_SILENT_NS = SECOND_NS
_DOES_NOTHING = (ActionKind.MARK, ActionKind.SEEN, ActionKind.GONE)


class PracticeBus:
    """A practice machine (`busdoc.capture.listening.FrameSource`).

    Parameters
    ----------
    scenario : what is practised; its `start_ns` is when it begins on the clock of the frames
    seed : decides what is left to chance; None: the scenario's own
    speed : how many times faster than the clock time goes on
    slow_hands : what is pressed was done a while before, as late as the scenario's presses are
    clock_ns : a clock that only goes on, ns

    Raises
    ------
    InputError : a speed that is not above zero, or a map that names a channel instead of numbering it
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int | None = None,
        *,
        speed: float = 1.0,
        slow_hands: bool = False,
        clock_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        if not 0.0 < speed < float("inf"):
            raise InputError("--speed", "a number above 0", f"{speed:g}", "Write for example --speed 5.")
        machine = scenario.machine
        specs = [known.spec for known in machine.controllers.values()]
        named = [
            c for c in (*(bus.channel for bus in machine.buses), *(s.channel for s in specs)) if isinstance(c, str)
        ]
        if named:
            raise InputError(
                scenario.machine_file, "channels by number, to practise on", f'"{named[0]}"', "Write channel = 0."
            )
        self.machine = PracticeMachine(scenario, seed)
        self.speed = speed
        self._habits = scenario.habits
        self._rng = np.random.default_rng([1, scenario.seed if seed is None else seed])
        self._slow_hands = slow_hands
        self._clock_ns = clock_ns
        self._start_ns = scenario.start_ns
        self._began_ns: int | None = None
        self._skipped_ns = 0
        self._until_ns = scenario.start_ns
        self._stopped = False
        self.channels = ChannelTable()
        numbers = {s.channel for s in specs if isinstance(s.channel, int)} or {0}
        self._last_ns = {self.channels.number(f"{PRACTICE}{number}"): scenario.start_ns for number in sorted(numbers)}

    @property
    def epoch(self) -> bool:
        """Its clock counts from the epoch."""
        return True

    @property
    def finished(self) -> bool:
        """Whether nothing more can come: once it was stopped."""
        return self._stopped

    def start(self) -> None:
        """Begin to live."""
        if self._began_ns is None:
            self._began_ns = self._clock_ns()

    def stop(self) -> None:
        """End."""
        self._stopped = True

    def now_ns(self) -> int:
        """Give the time on the clock of the frames."""
        if self._began_ns is None:
            return self._start_ns
        elapsed_ns = self._clock_ns() - self._began_ns
        return self._start_ns + self._skipped_ns + round(elapsed_ns * self.speed)

    def take(self) -> Taken:
        """Hand over the frames up to now."""
        now_ns = self.now_ns()
        self.machine.advance_to((now_ns - self._start_ns) / SECOND_NS)
        frames = self.machine.frames()
        for channel in np.unique(frames.channel).tolist():
            self._last_ns[channel] = int(frames.t_ns[np.flatnonzero(frames.channel == channel)[-1]])
        self._until_ns = max(self._until_ns, now_ns)
        return Taken(frames=frames, gaps=(), heard_until_ns=self._until_ns)

    def buses(self) -> tuple[BusState, ...]:
        """Say how each channel is heard."""
        return tuple(
            BusState(
                name=f"{PRACTICE}:{self.channels.name(channel)}",
                channel=channel,
                hearing=Hearing.SILENT if self._until_ns - last_ns > _SILENT_NS else Hearing.HEARD,
                since_ns=last_ns,
            )
            for channel, last_ns in self._last_ns.items()
        )

    # Hands

    def do(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> None:
        """Do something to the machine, now; with slow hands the press for it comes a while later.

        The clock jumps over that while: what is pressed next was done so long before.
        """
        if kind in _DOES_NOTHING:
            return
        self.machine.advance_to((self.now_ns() - self._start_ns) / SECOND_NS)
        self.machine.do(kind, part, into)
        if self._slow_hands:
            habits = self._habits
            lag_s = draw_lag_s(habits.law, self._rng, max(habits.lag_s, 1.0), max(habits.most_lag_s, 2.5))
            self._skipped_ns += round(lag_s * SECOND_NS)

    def put_back(self, action: Action) -> None:
        """Put back what was done by mistake, now."""
        self.machine.advance_to((self.now_ns() - self._start_ns) / SECOND_NS)
        self.machine.put_back(action)
