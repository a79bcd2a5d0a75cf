"""A technician in software: works through a procedure on a `World` and presses a key after each thing done.

What is done and what is written down differ as they do in the field: the press comes late, is forgotten, made twice,
or names the neighbouring branch, and the laptop's clock may be off against the capture's.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.simulation.press_law import PressLaw, draw_lag_s
from busdoc.simulation.world import World
from busdoc.times import SECOND_NS

__all__ = ["CAREFUL", "Habits", "Technician"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How presses are made."""

    law: PressLaw = PressLaw.EXPONENTIAL
    """Of how late a press comes; it says what the two below mean."""
    lag_s: float = 0.5
    most_lag_s: float = 2.0
    miss: float = 0.0
    """Probability that a press is forgotten."""
    wrong: float = 0.0
    """Probability that it names another part of the same kind."""
    twice: float = 0.0
    """Probability that it is made twice."""
    clock_offset_s: float = 0.0
    """The journal's clock minus the capture's."""
    uncertainty_s: float = 1.0
    """What the journal says of its own times."""


CAREFUL = Habits()
"""Presses everything once, rightly, half a second late."""


class Technician:
    """Works on a world and keeps the journal.

    Parameters
    ----------
    world : what is worked on; its clock runs on while the technician works
    rng : decides the lags and slips
    habits : how presses are made
    start_ns : the capture's time at the world's zero, ns
    hand_s : shortest time between two things done
    """

    def __init__(
        self,
        world: World,
        rng: np.random.Generator,
        habits: Habits = CAREFUL,
        *,
        start_ns: int = 0,
        hand_s: float = 3.0,
    ) -> None:
        self.world = world
        self._rng = rng
        self._habits = habits
        self._start_ns = start_ns
        self._hand_s = hand_s
        self._pressed: list[tuple[int, ActionKind, str | None, str | None, int]] = []

    @property
    def actions(self) -> tuple[Action, ...]:
        """The journal so far, in the order of its times."""
        return tuple(
            Action(
                n=n,
                time_ns=time_ns,
                uncertainty_ns=round(self._habits.uncertainty_s * SECOND_NS),
                kind=kind,
                part=part,
                into=into,
            )
            for n, (time_ns, kind, part, into, _) in enumerate(self._in_order(), start=1)
        )

    def journal_number(self, act: int | None) -> int | None:
        """Give the `Action.n` that records a `World.act`; None when its press was forgotten, or there was no act."""
        return next((n for n, entry in enumerate(self._in_order(), start=1) if entry[4] == act), None)

    def _in_order(self) -> list[tuple[int, ActionKind, str | None, str | None, int]]:
        return sorted(self._pressed, key=lambda entry: entry[0])

    # Single things done

    def do(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> None:
        """Do one thing, press (or not), and let the hands' own time pass."""
        act = self.world.act(kind, part, into)
        self._press(act, kind, part, into)
        self.world.advance(self._hand_s)

    def watch(self, watch_s: float) -> None:
        """Wait and look."""
        self.world.advance(watch_s)

    def watch_until_lost(self, controller: str, most_s: float) -> bool:
        """Watch until a controller falls, and a human second longer; say whether it did."""
        return not self._stays_up(controller, most_s)

    def power_cycle(self, feed: str | None = None, *, wait_s: float = 10.0) -> None:
        """Switch off and on again, written as one action or as two, and wait for the return."""
        if self._rng.random() < 0.5:
            self.do(ActionKind.POWER_CYCLE, feed)
        else:
            self.do(ActionKind.POWER_OFF, feed)
            self.world.advance(float(self._rng.uniform(1.0, 5.0)))
            self.do(ActionKind.POWER_ON, feed)
        self.world.advance(wait_s)

    def _press(self, act: int, kind: ActionKind, part: str | None, into: str | None) -> None:
        habits = self._habits
        if self._rng.random() < habits.miss:
            return
        if part is not None and self._rng.random() < habits.wrong:
            part = self._neighbour(part)
        lag_s = draw_lag_s(habits.law, self._rng, habits.lag_s, habits.most_lag_s)
        time_ns = self._start_ns + round((self.world.now_s + lag_s + habits.clock_offset_s) * SECOND_NS)
        self._pressed.append((time_ns, kind, part, into, act))
        if self._rng.random() < habits.twice:
            again_ns = time_ns + round(float(self._rng.uniform(0.2, 0.8)) * SECOND_NS)
            self._pressed.append((again_ns, kind, part, into, act))

    def _neighbour(self, name: str) -> str:
        """Name another part of the same kind on the same owner, if there is one."""
        parts = self.world.machine.parts
        if name not in parts:
            return name
        part = parts[name]
        others = [o.name for o in parts.values() if o.kind is part.kind and o.owner == part.owner and o.name != name]
        return others[int(self._rng.integers(len(others)))] if others else name

    # Procedures

    def restore_one_at_a_time(
        self, controller: str, branches: Sequence[str], *, dwell_s: float, wait_s: float = 10.0
    ) -> str | None:
        """Unplug all branches, cycle the power if the controller is away, then put them back one by one.

        A branch after whose return the controller falls is unplugged again, power cycled, and left out.

        Returns
        -------
        The last branch that was left out; None when every branch went back quietly
        """
        for branch in branches:
            self.do(ActionKind.UNPLUG, branch)
        self._revive(controller, wait_s)
        left_out: str | None = None
        for branch in branches:
            self.do(ActionKind.PLUG, branch)
            if self._stays_up(controller, dwell_s):
                continue
            left_out = branch
            self.do(ActionKind.UNPLUG, branch)
            self._revive(controller, wait_s)
        return left_out

    def half_split(self, controller: str, branches: Sequence[str], *, dwell_s: float, wait_s: float = 10.0) -> str:
        """Halve the branches that can be at fault until one is left; it stays unplugged.

        Returns
        -------
        The branch that was left
        """
        suspects = list(branches)
        for branch in suspects:
            self.do(ActionKind.UNPLUG, branch)
        self._revive(controller, wait_s)
        while len(suspects) > 1:
            half = suspects[: len(suspects) // 2]
            rest = suspects[len(suspects) // 2 :]
            for branch in half:
                self.do(ActionKind.PLUG, branch)
            if self._stays_up(controller, dwell_s):
                suspects = rest
            else:
                suspects = half
                for branch in half:
                    self.do(ActionKind.UNPLUG, branch)
                self._revive(controller, wait_s)
        return suspects[0]

    def fiddle(self, parts: Sequence[str], *, times: int, gap_s: Callable[[], float]) -> None:
        """Unplug and restore parts at random, one at a time: the decoys of a session without a fault on them."""
        for _ in range(times):
            part = parts[int(self._rng.integers(len(parts)))]
            self.watch(gap_s())
            self.do(ActionKind.UNPLUG, part)
            self.watch(gap_s())
            self.do(ActionKind.PLUG, part)

    def _stays_up(self, controller: str, dwell_s: float) -> bool:
        """Watch until the controller falls (and a human second longer) or the time is up."""
        end_s = self.world.now_s + dwell_s
        while self.world.now_s < end_s:
            if not self.world.well(controller):
                self.world.advance(float(self._rng.uniform(1.0, 3.0)))
                return False
            self.world.advance(min(0.5, end_s - self.world.now_s))
        return self.world.well(controller)

    def _revive(self, controller: str, wait_s: float) -> None:
        """Wait for a controller that is away; cycle the power when it does not come by itself."""
        if self._stays_up(controller, 1.0):
            return
        self.watch(wait_s)
        if not self.world.well(controller):
            self.power_cycle(wait_s=wait_s)
