"""The controllers of a simulated machine: which of them run, which start, and which are heard.

They know of supply and wiring. What a fault does to them, `busdoc.simulation.physics.faults` does, and is told of
their starts and stops.
"""

from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import Protocol

import numpy as np

from busdoc.simulation.physics.agenda import Agenda
from busdoc.simulation.physics.events import WorldEvent
from busdoc.simulation.wiring import Wiring

__all__ = ["Run", "Troubles", "Unit", "Units"]

_BOOT_S = 3.0
"""From supply to the first frame, of a controller of which nothing else is said (common practice: one to ten)."""
_OFF_S = 0.1
"""So long a controller holds out without supply, of which nothing else is said (common practice)."""


class Run(StrEnum):
    """What a controller itself is doing."""

    OFF = "off"
    STARTING = "starting"
    UP = "up"
    DOWN = "down"
    """A fault or a spontaneous restart holds it; recovers alone."""
    LATCHED = "latched"


class Unit:
    """The mutable state of one controller."""

    __slots__ = ("action", "cause", "on_bus", "run", "started", "ticket", "up_since_s")

    def __init__(self, run: Run) -> None:
        self.run = run
        self.on_bus = run is Run.UP
        self.cause = "start"
        self.action: int | None = None
        self.started = not self.on_bus
        self.ticket = 0
        self.up_since_s = 0.0


class Troubles(Protocol):
    """What the controllers ask of the faults, and tell them."""

    def unheard_by(self, controller: str) -> str | None:
        """Name the part that keeps a controller from being heard now; None: none does."""

    def came_up(self) -> None:
        """Take that a controller runs."""

    def stopped(self, controller: str) -> None:
        """Take that a controller runs no more."""


class Units:
    """The controllers, each in its state.

    Parameters
    ----------
    names : of the controllers
    wiring : what is plugged and switched
    agenda : what will happen
    rng : where all chance comes from
    boot_s, off_s : of all, or by controller, s
    boot_spread : how much `boot_s` varies from one start to the next, up or down, as a share of it
    waits_for : controller -> the one that must be up before it begins to start
    """

    def __init__(
        self,
        names: Iterator[str],
        wiring: Wiring,
        agenda: Agenda,
        rng: np.random.Generator,
        *,
        boot_s: float | Mapping[str, float],
        off_s: float | Mapping[str, float],
        boot_spread: float,
        waits_for: Mapping[str, str],
    ) -> None:
        self.events: list[WorldEvent] = []
        self._wiring = wiring
        self._agenda = agenda
        self._rng = rng
        self._units = {name: Unit(Run.UP if wiring.has_power(name) else Run.OFF) for name in names}
        self._boot_s = {name: _of(boot_s, name, _BOOT_S) for name in self._units}
        self._off_s = {name: _of(off_s, name, _OFF_S) for name in self._units}
        self._boot_spread = boot_spread
        self._waits_for = dict(waits_for)
        self._troubles: Troubles | None = None

    def follow(self, troubles: Troubles) -> None:
        """Ask these faults, and tell them, from now on."""
        self._troubles = troubles

    def __iter__(self) -> Iterator[str]:
        return iter(self._units)

    def __contains__(self, name: object) -> bool:
        return name in self._units

    def __getitem__(self, name: str) -> Unit:
        return self._units[name]

    def is_up(self, name: str) -> bool:
        """Whether it runs, heard or not."""
        return self._units[name].run is Run.UP

    def expected_boot_s(self, name: str) -> float:
        """Give how long a controller takes from power to its first frame on average, s."""
        return self._boot_s[name]

    def drawn_boot_s(self, name: str) -> float:
        """Draw how long its next start takes, s."""
        return self._boot_s[name] * (1.0 + self._boot_spread * float(self._rng.uniform(-1.0, 1.0)))

    def set_boot_s(self, name: str, boot_s: float) -> None:
        """Change how long a controller takes to start from now on; infinite: it never will."""
        self._boot_s[name] = boot_s

    # In line with the supply

    def settle(self, n: int | None) -> tuple[str, ...]:
        """Start those that have got power, stop those that have lost it; give the former. `n` is what changed it."""
        supplied: list[str] = []
        for name, unit in self._units.items():
            has_power = self._wiring.has_power(name)
            if has_power and unit.run is Run.OFF:
                self.start(name, n)
                supplied.append(name)
            elif not has_power and unit.run is not Run.OFF:
                self._starve(name, n)
            self.tell(name, n)
        return tuple(supplied)

    def start(self, name: str, n: int | None) -> None:
        """Begin a start, or wait for the one that has to be up before."""
        unit = self._units[name]
        waits_for = self._waits_for.get(name)
        unit.run = Run.STARTING
        unit.ticket += 1
        if waits_for is not None and not self.is_up(waits_for):
            return  # `_up` of the other one begins it
        ticket = unit.ticket
        self._agenda.plan(self._agenda.now_s + self.drawn_boot_s(name), lambda: self._up(name, ticket, n))

    def _up(self, name: str, ticket: int, n: int | None) -> None:
        unit = self._units[name]
        if ticket != unit.ticket:
            return
        unit.run, unit.started, unit.up_since_s = Run.UP, True, self._agenda.now_s
        self.tell(name, n)
        for waiting, other in self._waits_for.items():
            if other == name and self._units[waiting].run is Run.STARTING:
                self.start(waiting, n)
        if self._troubles is not None:
            self._troubles.came_up()

    def _starve(self, name: str, n: int | None) -> None:
        """Take a controller's supply away: it holds out a little, then stops, and forgets that it had latched."""
        unit = self._units[name]
        if unit.run is not Run.UP:
            unit.run = Run.OFF
            unit.ticket += 1
            return
        cause = "power" if self._wiring.is_plugged(name) else "unplugged"

        def stop() -> None:
            if not self._wiring.has_power(name) and unit.run is Run.UP:
                self.stop(name, Run.OFF, cause, n)

        if self._off_s[name] <= 0.0 or cause == "unplugged":  # its connector carries the bus as well: gone at once
            stop()
        else:
            self._agenda.plan(self._agenda.now_s + self._off_s[name], stop)

    # What becomes of one

    def stop(self, name: str, run: Run, cause: str, n: int | None) -> None:
        """Stop a controller, for this cause; `n` is the action that it answers to."""
        unit = self._units[name]
        unit.run = run
        unit.ticket += 1
        unit.cause, unit.action = cause, n
        self.tell(name, n)
        if self._troubles is not None:
            self._troubles.stopped(name)

    def hold(self, name: str, cause: str, n: int | None, holds_s: float) -> None:
        """Stop a controller that will come back by itself after so many seconds."""
        self.stop(name, Run.DOWN, cause, n)
        ticket = self._units[name].ticket
        self._agenda.plan(self._agenda.now_s + holds_s, lambda: self._up(name, ticket, None))

    def restart(self, name: str) -> None:
        """Let a controller that is up restart of itself, now."""
        if self.is_up(name):
            self.hold(name, "spontaneous", None, self.drawn_boot_s(name))

    def await_spontaneous(self, name: str, rate_hz: float) -> None:
        """Let a controller restart of itself at this rate, from now on."""

        def restart() -> None:
            self.restart(name)
            self.await_spontaneous(name, rate_hz)

        self._agenda.plan(self._agenda.now_s + float(self._rng.exponential(1.0 / rate_hz)), restart)

    def tell(self, name: str, n: int | None) -> None:
        """Write an event when a controller has just left the bus or come back to it."""
        unit = self._units[name]
        joined = self._wiring.is_joined(name)
        unheard_by = None if self._troubles is None else self._troubles.unheard_by(name)
        on_bus = unit.run is Run.UP and joined and unheard_by is None
        if on_bus == unit.on_bus:
            return
        unit.on_bus = on_bus
        if on_bus:
            self._write(name, "back", unit.cause, unit.started, n)
            return
        stopped = unit.run is not Run.UP
        if not stopped:
            unit.started = False
            unit.cause = f"fault:{unheard_by}" if unheard_by is not None else "bus"
            unit.action = n
        self._write(name, "lost", unit.cause, stopped, n)

    def _write(self, name: str, kind: str, cause: str, restarted: bool, n: int | None) -> None:
        self.events.append(
            WorldEvent(
                time_s=self._agenda.now_s, controller=name, kind=kind, cause=cause, restarted=restarted, action=n
            )
        )


def _of(given: float | Mapping[str, float], name: str, unsaid: float) -> float:
    return float(given) if isinstance(given, int | float) else given.get(name, unsaid)
