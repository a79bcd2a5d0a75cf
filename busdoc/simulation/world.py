"""The physics of a machine with faults, at the level of events: who is on the bus, and what took it away.

A `World` has the machine's plugs and power, its faults, and a clock. It takes what a technician does and gives the
moments at which controllers fell off the bus or came back, each with its true cause. It makes no frames
(`busdoc.simulation.traffic` does) and writes nothing down (`busdoc.simulation.technician` does).
"""

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.machine.machine import Machine
from busdoc.simulation.fault import Effect, Fault
from busdoc.simulation.physics.agenda import Agenda
from busdoc.simulation.physics.events import WorldEvent, WorldShowing
from busdoc.simulation.physics.faults import Faults
from busdoc.simulation.physics.units import Run, Units
from busdoc.simulation.wiring import Wiring

# a fault and its effect are part of what a world takes, events and showings of what it gives
__all__ = ["Effect", "Fault", "World", "WorldEvent", "WorldShowing"]


class World:
    """A machine with its faults, run forward in time.

    Parameters
    ----------
    machine : its map
    faults : the faulty parts; none: a healthy machine
    rng : where all chance comes from
    background_rate_hz : spontaneous restarts of each controller
    boot_s : from supply to the first frame, one for all or by controller
    off_s : how long a controller holds out without supply
    boot_spread : how much `boot_s` varies from one start to the next, up or down, as a share of it
    cycle_off_s : how long a power cycle leaves the supply off
    waits_for : controller -> the one that must be up before it begins to start
    powered : False: the main switch is off at the start, and no controller is up
    track : parts whose joining to a controller is logged in `joined`, for the signals that they drive
    lead_s : how long before a part's fault shows `omens` tells of it, where it can be told; None: it is never told

    Raises
    ------
    ValueError : when a fault names a part that the machine does not have

    Examples
    --------
    >>> from busdoc.machine.machine_map import machine_from_text
    >>> machine = machine_from_text('''
    ... controller = [{ name = "hopper", address = 0x31 }]
    ... part = [{ name = "gate-angle", kind = "sensor", into = "hopper" }]
    ... ''', "carrier.toml")
    >>> world = World(machine, [Fault(part="gate-angle", latches=True, delay_s=0.5)], np.random.default_rng(1))
    >>> world.advance(2.0)
    >>> [(event.time_s, event.kind, event.cause) for event in world.events]
    [(0.5, 'lost', 'fault:gate-angle')]
    """

    def __init__(
        self,
        machine: Machine,
        faults: Sequence[Fault],
        rng: np.random.Generator,
        *,
        background_rate_hz: float = 0.0,
        boot_s: float | Mapping[str, float] = 3.0,
        off_s: float | Mapping[str, float] = 0.1,
        boot_spread: float = 0.0,
        cycle_off_s: float = 5.0,
        waits_for: Mapping[str, str] | None = None,
        powered: bool = True,
        track: Sequence[str] = (),
        lead_s: Mapping[str, float] | None = None,
    ) -> None:
        for fault in faults:
            if fault.part not in machine:
                raise ValueError(f"the machine has no part {fault.part!r}")
        self.machine = machine
        self.faults = tuple(faults)
        self.power_ups: list[tuple[float, tuple[str, ...]]] = []
        """(s, the controllers that got power at that moment), ascending."""
        self.joined: dict[str, list[tuple[float, tuple[str, ...]]]] = {part: [] for part in track}
        """Part -> (s, the controllers that it is joined to from then on)."""
        self.deaf: list[tuple[float, float]] = []
        """(from, to) in seconds: the laptop's own lead was out, and nothing was heard of a machine that ran on."""
        self.n_acts = 0
        self._cycle_off_s = cycle_off_s
        self._wiring = Wiring(machine, powered=powered)
        self._agenda = Agenda()
        self._units = Units(
            iter(machine.controllers),
            self._wiring,
            self._agenda,
            rng,
            boot_s=boot_s,
            off_s=off_s,
            boot_spread=boot_spread,
            waits_for=waits_for or {},
        )
        self._faults = Faults(faults, machine, self._wiring, self._agenda, self._units, rng, lead_s=lead_s or {})
        self._units.follow(self._faults)
        for name in self._units if background_rate_hz > 0.0 else ():
            self._units.await_spontaneous(name, background_rate_hz)
        self._settle(None)

    # What is asked of it

    @property
    def now_s(self) -> float:
        """How long it has run, s."""
        return self._agenda.now_s

    @property
    def events(self) -> list[WorldEvent]:
        """What became of the controllers so far, ascending."""
        return self._units.events

    @property
    def by_chance(self) -> dict[tuple[str, float], int]:
        """(controller, s) of a loss by an intermittent fault that showed within five seconds of the action, by number.

        That action had exposed it. The loss answers none, being chance; but nobody could tell.
        """
        return self._faults.by_chance

    @property
    def omens(self) -> dict[str, float]:
        """Part -> since when its fault is about to show; it shows at once, or its controllers lost it in time."""
        return self._faults.omens

    @property
    def powered(self) -> bool:
        """Whether the main switch is on."""
        return self._wiring.main_on

    def has_power(self, controller: str) -> bool:
        """Whether a controller has power."""
        return self._wiring.has_power(controller)

    def is_plugged(self, part: str) -> bool:
        """Whether a part is plugged in."""
        return self._wiring.is_plugged(part)

    def healthy(self, controller: str) -> bool:
        """Whether a controller is up and heard."""
        return self._units[controller].on_bus

    def well(self, controller: str) -> bool:
        """Whether a controller is up, heard, and does not complain."""
        return self.healthy(controller) and not self._faults.complains(controller)

    @property
    def showings(self) -> tuple[WorldShowing, ...]:
        """What controllers complained of so far, ascending."""
        return self._faults.showings

    def exposed(self, part: str) -> tuple[str, ...]:
        """Name the controllers with power that this part is joined to now."""
        return self._faults.exposed(part)

    def expected_boot_s(self, controller: str) -> float:
        """Give how long a controller takes from power to its first frame on average, s."""
        return self._units.expected_boot_s(controller)

    # What is done to it

    def act(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> int:
        """Do one thing to the machine, now; give its number, 1 for the first.

        Raises
        ------
        ValueError : when the action names a part that the machine does not have
        """
        self.n_acts += 1
        n = self.n_acts
        if kind is ActionKind.POWER_CYCLE:
            self._wiring.apply(ActionKind.POWER_OFF, part, None)
            self._agenda.plan(self.now_s + self._cycle_off_s, lambda: self._switch_on_again(part, n))
        else:
            self._wiring.apply(kind, part, into)
        if part is not None:
            self._work_on(kind, part, n)
        self._settle(n)
        return n

    def _work_on(self, kind: ActionKind, part: str, n: int) -> None:
        """Let the units and the faults answer to hands on a part."""
        if kind is ActionKind.REPLACE:
            if part in self._units and self._units[part].run is not Run.OFF:
                self._units.stop(part, Run.OFF, "unplugged", n)  # the new unit starts as `_settle` finds it with power
            self._faults.replace(part)
        elif kind is ActionKind.WIGGLE:
            self._faults.wiggle(part, n)
        if kind is not ActionKind.MARK:
            self._faults.handle(part)

    def set_boot_s(self, controller: str, boot_s: float) -> None:
        """Change how long a controller takes to start from now on; infinite: it never will."""
        self._units.set_boot_s(controller, boot_s)

    def restart(self, controller: str) -> None:
        """Let a controller that is up restart of itself, now."""
        self._units.restart(controller)

    def show(self, part: str) -> None:
        """Let the fault of a part show now, if it is exposed to a controller that is up."""
        self._faults.show(part)

    @property
    def lead_in(self) -> bool:
        """Whether the laptop's own lead is in."""
        return not self.deaf or self.deaf[-1][1] <= self.now_s

    def take_lead(self, *, out: bool) -> None:
        """Pull the laptop's own lead, or plug it in again, now."""
        if out and self.lead_in:
            self.deaf.append((self.now_s, math.inf))
        elif not out and not self.lead_in:
            self.deaf[-1] = (self.deaf[-1][0], self.now_s)

    def turn_key(self, *, on: bool) -> None:
        """Let somebody else turn the key, now: no act of the technician's."""
        self._wiring.apply(ActionKind.POWER_ON if on else ActionKind.POWER_OFF, None, None)
        self._settle(None)

    def happen_at(self, at_s: float, what: str, name: str | None = None) -> None:
        """Let something happen by itself at a moment to come.

        Parameters
        ----------
        what : ``restart`` (of the controller `name`), ``show`` (of the part `name`), ``lead-out``, ``lead-in``,
            ``key-off``, ``key-on``
        """
        happens: dict[str, Callable[[], None]] = {
            "restart": lambda: self.restart(name or ""),
            "show": lambda: self.show(name or ""),
            "lead-out": lambda: self.take_lead(out=True),
            "lead-in": lambda: self.take_lead(out=False),
            "key-off": lambda: self.turn_key(on=False),
            "key-on": lambda: self.turn_key(on=True),
        }
        self._agenda.plan(at_s, happens[what])

    def advance(self, dt_s: float) -> None:
        """Let time pass."""
        self._agenda.advance(dt_s)

    def _switch_on_again(self, feed: str | None, n: int) -> None:
        self._wiring.apply(ActionKind.POWER_ON, feed, None)
        self._settle(n)

    def _settle(self, n: int | None) -> None:
        """Bring every controller and fault in line with the plugs; `n` is the action that has just changed them."""
        supplied = self._units.settle(n)
        if supplied:
            self.power_ups.append((self.now_s, supplied))
        for part, log in self.joined.items():
            troubled = self._wiring.troubled_by(part)
            if not log or log[-1][1] != troubled:
                log.append((self.now_s, troubled))
        self._faults.settle(n)
