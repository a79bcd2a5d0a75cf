"""The physics of a machine with faults, at the level of events: who is on the bus, and what took it away.

A `World` has the machine's plugs and power, its faults, and a clock. It takes what a technician does and gives the
moments at which controllers fell off the bus or came back, each with its true cause. It makes no frames
(`busdoc.simulation.traffic` does) and writes nothing down (`busdoc.simulation.technician` does).
"""

import heapq
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.machine.machine import Machine, PartKind
from busdoc.simulation.fault import Effect, Fault
from busdoc.simulation.wiring import Wiring

# a fault and its effect are part of what a world takes
__all__ = ["Effect", "Fault", "World", "WorldEvent", "WorldShowing"]

_SOON_S = 5.0
"""What shows by chance this soon after it was exposed, nobody can tell from a prompt answer."""
_EVEN_ODDS = 0.5
"""How often a wiggle of the faulty part makes an intermittent fault show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldEvent:
    """A controller left the bus or came back."""

    time_s: float
    controller: str
    kind: str
    """``lost`` or ``back``."""
    cause: str
    """``fault:<part>``, ``unplugged`` (its own connector), ``power``, ``bus`` (a segment unplugged), ``spontaneous``;
    the cause of the loss is repeated when it is back; ``start`` for the first time after the world began."""
    restarted: bool
    """Lost: it stopped running. Back: it started anew since it was last heard."""
    action: int | None
    """Number (1 for the first) of the `World.act` that this is a direct answer to. A showing of an intermittent fault
    answers none, unless a wiggle made it; a hard fault answers the action that exposed it, the first time it shows."""


class _Run(StrEnum):
    """What a controller itself is doing."""

    OFF = "off"
    STARTING = "starting"
    UP = "up"
    DOWN = "down"
    """A fault or a spontaneous restart holds it; recovers alone."""
    LATCHED = "latched"


class _Controller:
    """The mutable state of one controller."""

    __slots__ = ("action", "cause", "on_bus", "run", "started", "ticket", "up_since_s")

    def __init__(self, run: _Run) -> None:
        self.run = run
        self.on_bus = run is _Run.UP
        self.cause = "start"
        self.action: int | None = None
        self.started = not self.on_bus
        self.ticket = 0
        self.up_since_s = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldShowing:
    """A controller said that something is wrong, and ran on."""

    part: str
    """Whose fault it is."""
    controller: str
    from_s: float
    to_s: float | None
    """None: it says so at the end."""
    by_power: bool
    """It ended because the controller lost its power."""


class _FaultState:
    """The mutable state of one fault."""

    __slots__ = (
        "armed",
        "complaints",
        "connected",
        "exposed_at_s",
        "exposed_by",
        "fault",
        "gone",
        "held",
        "open_until_s",
        "shown",
        "ticket",
    )

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        self.connected = False
        self.armed = False
        self.exposed_by: int | None = None
        self.exposed_at_s = 0.0
        self.shown = False
        self.ticket = 0
        self.open_until_s = -math.inf
        self.gone = False
        self.held: set[str] = set()
        """Controllers that it keeps down."""
        self.complaints: dict[str, float] = {}
        """Controllers that complain of it, and since when."""


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
        self.events: list[WorldEvent] = []
        self._showings: list[WorldShowing] = []
        self.power_ups: list[tuple[float, tuple[str, ...]]] = []
        """(s, the controllers that got power at that moment), ascending."""
        self.joined: dict[str, list[tuple[float, tuple[str, ...]]]] = {part: [] for part in track}
        """Part -> (s, the controllers that it is joined to from then on)."""
        self.by_chance: dict[tuple[str, float], int] = {}
        """(controller, s) of a loss by an intermittent fault that showed within five seconds of the action, by number,
        that had exposed it. It answers none, being chance; but nobody could tell."""
        self.omens: dict[str, float] = {}
        """Part -> since when its fault is about to show; it shows at once, or its controllers lost it in time."""
        self.deaf: list[tuple[float, float]] = []
        """(from, to) in seconds: the laptop's own lead was out, and nothing was heard of a machine that ran on."""
        self.n_acts = 0
        self.now_s = 0.0
        self._lead_s = dict(lead_s or {})
        self._rng = rng
        self._background_rate_hz = background_rate_hz
        self._boot_s: dict[str, float] = {
            name: boot_s if isinstance(boot_s, int | float) else boot_s.get(name, 3.0) for name in machine.controllers
        }
        self._off_s = off_s
        self._boot_spread = boot_spread
        self._cycle_off_s = cycle_off_s
        self._waits_for = dict(waits_for or {})
        self._wiring = Wiring(machine, powered=powered)
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._n_agenda = 0
        self._controllers = {
            name: _Controller(_Run.UP if self._wiring.has_power(name) else _Run.OFF) for name in machine.controllers
        }
        self._faults = [_FaultState(fault) for fault in faults]
        for state in self._faults:
            if state.fault.from_s > 0.0:
                self._plan(state.fault.from_s, self._go_bad(state))
        for name in self._controllers if background_rate_hz > 0.0 else ():
            self._await_spontaneous(name)
        self._settle(None)

    # What is asked of it

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
        return self._controllers[controller].on_bus

    def well(self, controller: str) -> bool:
        """Whether a controller is up, heard, and does not complain."""
        return self.healthy(controller) and not any(controller in state.complaints for state in self._faults)

    @property
    def showings(self) -> tuple[WorldShowing, ...]:
        """What controllers complained of so far, ascending."""
        going_on = [
            WorldShowing(part=state.fault.part, controller=name, from_s=from_s, to_s=None, by_power=False)
            for state in self._faults
            for name, from_s in state.complaints.items()
        ]
        return tuple(sorted((*self._showings, *going_on), key=lambda one: (one.from_s, one.part)))

    def exposed(self, part: str) -> tuple[str, ...]:
        """Name the controllers with power that this part is joined to now."""
        return tuple(name for name in self._wiring.troubled_by(part) if self._wiring.has_power(name))

    def expected_boot_s(self, controller: str) -> float:
        """Give how long a controller takes from power to its first frame on average, s."""
        return self._boot_s[controller]

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
            self._plan(self.now_s + self._cycle_off_s, lambda: self._switch_on_again(part, n))
        else:
            self._wiring.apply(kind, part, into)
        if kind is ActionKind.REPLACE and part in self._controllers and self._controllers[part].run is not _Run.OFF:
            self._stop(part, _Run.OFF, "unplugged", n)  # the new unit starts as `_settle` finds it with power
        for state in self._faults:
            if kind is ActionKind.REPLACE and state.fault.part == part:
                self._remove(state)
            elif kind is ActionKind.WIGGLE and part is not None:
                self._wiggle(state, part, n)
            if part == state.fault.part and kind is not ActionKind.MARK and state.fault.latches:
                state.open_until_s = min(state.open_until_s, self.now_s)  # a segment that was handled
        self._settle(n)
        return n

    def set_boot_s(self, controller: str, boot_s: float) -> None:
        """Change how long a controller takes to start from now on; infinite: it never will."""
        self._boot_s[controller] = boot_s

    def restart(self, controller: str) -> None:
        """Let a controller that is up restart of itself, now."""
        if self._controllers[controller].run is _Run.UP:
            self._hold(controller, "spontaneous", None, self._drawn_boot_s(controller))

    def show(self, part: str) -> None:
        """Let the fault of a part show now, if it is exposed to a controller that is up."""
        for state in self._faults:
            if state.fault.part == part:
                self._show(state, state.ticket)

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
        self._plan(at_s, happens[what])

    def advance(self, dt_s: float) -> None:
        """Let time pass."""
        until_s = self.now_s + dt_s
        while self._agenda and self._agenda[0][0] <= until_s:
            self.now_s, _, happen = heapq.heappop(self._agenda)
            happen()
        self.now_s = until_s

    # How it goes on by itself

    def _plan(self, at_s: float, happen: Callable[[], None]) -> None:
        self._n_agenda += 1  # keeps two things of the same instant in the order in which they were planned
        heapq.heappush(self._agenda, (at_s, self._n_agenda, happen))

    def _switch_on_again(self, feed: str | None, n: int) -> None:
        self._wiring.apply(ActionKind.POWER_ON, feed, None)
        self._settle(n)

    def _settle(self, n: int | None) -> None:
        """Bring every controller and fault in line with the plugs; `n` is the action that has just changed them."""
        supplied: list[str] = []
        for name, state in self._controllers.items():
            has_power = self._wiring.has_power(name)
            if has_power and state.run is _Run.OFF:
                self._start(name, n)
                supplied.append(name)
            elif not has_power and state.run is not _Run.OFF:
                self._starve(name, n)
            self._tell(name, n)
        if supplied:
            self.power_ups.append((self.now_s, tuple(supplied)))
        for part, log in self.joined.items():
            troubled = self._wiring.troubled_by(part)
            if not log or log[-1][1] != troubled:
                log.append((self.now_s, troubled))
        for fault in self._faults:
            connected = bool(self.exposed(fault.fault.part)) and not fault.gone
            if connected and not fault.connected:
                fault.exposed_by, fault.shown, fault.exposed_at_s = n, False, self.now_s
            fault.connected = connected
            self._let_go(fault)
            self._arm(fault)

    def _let_go(self, fault: _FaultState) -> None:
        """Start the controllers that a part kept down and is no longer joined to."""
        reached = set() if fault.gone else set(self.exposed(fault.fault.part))
        for name in [] if fault.fault.latches else sorted(set(fault.complaints) - reached):
            self._plan(self.now_s + fault.fault.clears_s, self._complaint_ends(fault, name))
        for name in sorted(fault.held):
            if self._controllers[name].run is not _Run.DOWN:
                fault.held.discard(name)  # its power went off meanwhile: it starts with the power
            elif name not in reached:
                fault.held.discard(name)
                self._start(name, None)

    def _start(self, name: str, n: int | None) -> None:
        state = self._controllers[name]
        waits_for = self._waits_for.get(name)
        state.run = _Run.STARTING
        state.ticket += 1
        if waits_for is not None and self._controllers[waits_for].run is not _Run.UP:
            return  # `_up` of the other one begins it
        ticket = state.ticket
        self._plan(self.now_s + self._drawn_boot_s(name), lambda: self._up(name, ticket, n))

    def _drawn_boot_s(self, name: str) -> float:
        return self.expected_boot_s(name) * (1.0 + self._boot_spread * float(self._rng.uniform(-1.0, 1.0)))

    def _up(self, name: str, ticket: int, n: int | None) -> None:
        state = self._controllers[name]
        if ticket != state.ticket:
            return
        state.run, state.started, state.up_since_s = _Run.UP, True, self.now_s
        self._tell(name, n)
        for waiting, other in self._waits_for.items():
            if other == name and self._controllers[waiting].run is _Run.STARTING:
                self._start(waiting, n)
        for fault in self._faults:
            self._arm(fault)

    def _starve(self, name: str, n: int | None) -> None:
        """Take a controller's supply away: it holds out a little, then stops, and forgets that it had latched."""
        state = self._controllers[name]
        if state.run is not _Run.UP:
            state.run = _Run.OFF
            state.ticket += 1
            return
        off_s = self._off_s if isinstance(self._off_s, int | float) else self._off_s.get(name, 0.1)
        cause = "power" if self._wiring.is_plugged(name) else "unplugged"

        def stop() -> None:
            if not self._wiring.has_power(name) and state.run is _Run.UP:
                self._stop(name, _Run.OFF, cause, n)

        if off_s <= 0.0 or cause == "unplugged":  # its connector carries the bus as well: gone at once
            stop()
        else:
            self._plan(self.now_s + off_s, stop)

    def _stop(self, name: str, run: _Run, cause: str, n: int | None) -> None:
        state = self._controllers[name]
        state.run = run
        state.ticket += 1
        state.cause, state.action = cause, n
        self._tell(name, n)
        for fault in self._faults:
            self._end_complaint(fault, name, by_power=True)
            self._arm(fault)

    def _recover(self, name: str, ticket: int) -> None:
        if self._controllers[name].ticket == ticket:
            self._up(name, ticket, None)

    def _hold(self, name: str, cause: str, n: int | None, holds_s: float) -> None:
        """Stop a controller that will come back by itself."""
        self._stop(name, _Run.DOWN, cause, n)
        ticket = self._controllers[name].ticket
        self._plan(self.now_s + holds_s, lambda: self._recover(name, ticket))

    def _await_spontaneous(self, name: str) -> None:
        def restart() -> None:
            self.restart(name)
            self._await_spontaneous(name)

        self._plan(self.now_s + float(self._rng.exponential(1.0 / self._background_rate_hz)), restart)

    def _tell(self, name: str, n: int | None) -> None:
        """Write an event when a controller has just left the bus or come back to it."""
        state = self._controllers[name]
        joined = self._wiring.is_joined(name)
        unheard_by = next((f for f in self._faults if f.open_until_s > self.now_s and name in self._unheard(f)), None)
        on_bus = state.run is _Run.UP and joined and unheard_by is None
        if on_bus == state.on_bus:
            return
        state.on_bus = on_bus
        if on_bus:
            self._write(name, "back", state.cause, state.started, n)
            return
        stopped = state.run is not _Run.UP
        if not stopped:
            state.started = False
            state.cause = f"fault:{unheard_by.fault.part}" if unheard_by is not None else "bus"
            state.action = n
        self._write(name, "lost", state.cause, stopped, n)

    def _write(self, name: str, kind: str, cause: str, restarted: bool, n: int | None) -> None:
        self.events.append(
            WorldEvent(time_s=self.now_s, controller=name, kind=kind, cause=cause, restarted=restarted, action=n)
        )

    # Faults

    def _go_bad(self, state: _FaultState) -> Callable[[], None]:
        def go() -> None:
            state.exposed_by = None  # what exposed it while it was sound is not what makes it show
            self._arm(state)

        return go

    def _unheard(self, state: _FaultState) -> tuple[str, ...]:
        return self._wiring.troubled_by(state.fault.part)

    def _effect(self, fault: Fault) -> Effect:
        if fault.effect is not None:
            return fault.effect
        part = self.machine.parts.get(fault.part)
        return Effect.UNHEARD if part is not None and part.kind is PartKind.SEGMENT else Effect.RESET

    def _arm(self, state: _FaultState) -> None:
        """Let a fault's clock run while it is exposed to a controller that is up, and stop it otherwise."""
        up = any(self._controllers[name].run is _Run.UP for name in self.exposed(state.fault.part))
        if state.fault.at_power_up:
            up = up and (state.armed or self._starts_now(state))
        bad = not state.gone and state.fault.from_s <= self.now_s
        live = up and bad and state.open_until_s <= self.now_s and not state.complaints
        if live == state.armed:
            return
        state.armed = live
        state.ticket += 1
        self.omens.pop(state.fault.part, None)
        if live:
            ticket = state.ticket
            shows_s = self.now_s + self._wait_s(state.fault)
            if state.fault.part in self._lead_s and math.isfinite(shows_s):
                told_s = max(self.now_s, shows_s - self._lead_s[state.fault.part])
                self._plan(told_s, lambda: self._foretell(state, ticket))
            self._plan(shows_s, lambda: self._show(state, ticket))

    def _foretell(self, state: _FaultState, ticket: int) -> None:
        if ticket == state.ticket and state.armed:
            self.omens[state.fault.part] = self.now_s

    def _starts_now(self, state: _FaultState) -> bool:
        """Whether a controller that the fault reaches comes up at this moment."""
        return any(self._controllers[name].up_since_s == self.now_s for name in self.exposed(state.fault.part))

    def _complain(self, state: _FaultState, holds_s: float) -> None:
        """Let every controller that it reaches say so: for good, for as long as it is in, or for a while."""
        for name in self.exposed(state.fault.part):
            if self._controllers[name].run is _Run.UP:
                state.complaints[name] = self.now_s
                if not state.fault.latches and not state.fault.held:
                    self._plan(self.now_s + holds_s, self._complaint_ends(state, name))
        self._arm(state)

    def _complaint_ends(self, state: _FaultState, name: str) -> Callable[[], None]:
        from_s = state.complaints[name]

        def end() -> None:
            if state.complaints.get(name) == from_s:
                self._end_complaint(state, name, by_power=False)
                self._arm(state)

        return end

    def _end_complaint(self, state: _FaultState, name: str, *, by_power: bool) -> None:
        from_s = state.complaints.pop(name, None)
        if from_s is not None:
            self._showings.append(
                WorldShowing(part=state.fault.part, controller=name, from_s=from_s, to_s=self.now_s, by_power=by_power)
            )

    def _wait_s(self, fault: Fault) -> float:
        if fault.is_hard:
            return float(self._rng.uniform(0.05, 3.0)) if fault.delay_s is None else fault.delay_s
        return float(self._rng.exponential(1.0 / fault.rate_hz)) if fault.rate_hz > 0.0 else math.inf

    def _show(self, state: _FaultState, ticket: int, wiggled: int | None = None) -> None:
        if ticket != state.ticket or not state.armed:
            return
        answers = state.exposed_by if state.fault.is_hard and not state.shown else wiggled
        fault = state.fault
        soon = answers is None and not state.shown and self.now_s - state.exposed_at_s <= _SOON_S
        if soon and state.exposed_by is not None:
            for name in self.exposed(fault.part):
                self.by_chance[name, self.now_s] = state.exposed_by
        state.shown = True
        holds_s = fault.holds_s * (1.0 + fault.holds_spread * float(self._rng.uniform(-1.0, 1.0)))
        if self._effect(fault) is Effect.COMPLAIN:
            self._complain(state, holds_s)
            return
        if self._effect(fault) is Effect.UNHEARD:
            self._open(state, answers, holds_s)
            return
        hit = [name for name in self.exposed(fault.part) if self._controllers[name].run in (_Run.UP, _Run.STARTING)]
        quickest_s = min((self.expected_boot_s(name) for name in hit), default=0.0)
        for name in hit:
            if fault.latches:
                self._stop(name, _Run.LATCHED, f"fault:{fault.part}", answers)
            elif fault.held:
                self._stop(name, _Run.DOWN, f"fault:{fault.part}", answers)
                state.held.add(name)
            else:
                self._hold(name, f"fault:{fault.part}", answers, holds_s + self._drawn_boot_s(name) - quickest_s)

    def _open(self, state: _FaultState, answers: int | None, holds_s: float) -> None:
        """Make a segment (or a controller's own bus lead) pass nothing for a while."""
        state.open_until_s = math.inf if state.fault.latches else self.now_s + holds_s
        state.armed = False
        state.ticket += 1
        for name in self._unheard(state):
            self._tell(name, answers)
        if not math.isinf(state.open_until_s):
            self._plan(state.open_until_s, lambda: self._settle(None))

    def _wiggle(self, state: _FaultState, part: str, n: int) -> None:
        kind = self.machine.parts[part].kind if part in self.machine.parts else None
        moves_what_hangs_on_it = kind not in (PartKind.FEED, PartKind.SEGMENT)
        touched = state.fault.part == part or (moves_what_hangs_on_it and self._wiring.hangs_on(state.fault.part, part))
        if touched and state.armed and not state.fault.is_hard and self._rng.random() < _EVEN_ODDS:
            ticket = state.ticket
            self._plan(self.now_s + float(self._rng.uniform(0.05, 1.0)), lambda: self._show(state, ticket, n))

    def _remove(self, state: _FaultState) -> None:
        """The faulty part is off the machine; the new one is sound."""
        state.gone = True
        state.open_until_s = min(state.open_until_s, self.now_s)
