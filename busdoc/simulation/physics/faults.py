"""The faults of a simulated machine: when each is exposed and shows, what it does then, and how it lets go."""

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from busdoc.machine.machine import Machine, PartKind
from busdoc.simulation.fault import Effect, Fault
from busdoc.simulation.physics.agenda import Agenda
from busdoc.simulation.physics.events import WorldShowing
from busdoc.simulation.physics.units import Run, Units
from busdoc.simulation.wiring import Wiring

__all__ = ["FaultState", "Faults"]

_SOON_S = 5.0
"""What shows by chance this soon after it was exposed, nobody can tell from a prompt answer."""
_EVEN_ODDS = 0.5
"""How often a wiggle of the faulty part makes an intermittent fault show."""


class FaultState:
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


class Faults:
    """The faulty parts, each in its state.

    Parameters
    ----------
    faults : which parts are faulty, and how
    machine : the map
    wiring : what is plugged and switched
    agenda : what will happen
    units : the controllers that they trouble
    rng : where all chance comes from
    lead_s : how long before a part's fault shows `omens` tells of it, where it can be told
    """

    def __init__(
        self,
        faults: Sequence[Fault],
        machine: Machine,
        wiring: Wiring,
        agenda: Agenda,
        units: Units,
        rng: np.random.Generator,
        *,
        lead_s: Mapping[str, float],
    ) -> None:
        self.by_chance: dict[tuple[str, float], int] = {}
        self.omens: dict[str, float] = {}
        self._showings: list[WorldShowing] = []
        self._machine = machine
        self._wiring = wiring
        self._agenda = agenda
        self._units = units
        self._rng = rng
        self._lead_s = dict(lead_s)
        self._faults = [FaultState(fault) for fault in faults]
        for state in self._faults:
            if state.fault.from_s > 0.0:
                agenda.plan(state.fault.from_s, self._go_bad(state))

    # What is asked of them

    def complains(self, controller: str) -> bool:
        """Whether a controller complains of any."""
        return any(controller in state.complaints for state in self._faults)

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

    def unheard_by(self, controller: str) -> str | None:
        """Name the part that keeps a controller from being heard now; None: none does."""
        opened = (state for state in self._faults if state.open_until_s > self._agenda.now_s)
        return next((state.fault.part for state in opened if controller in self._unheard(state)), None)

    # What is done to them

    def show(self, part: str) -> None:
        """Let the fault of a part show now, if it is exposed to a controller that is up."""
        for state in self._faults:
            if state.fault.part == part:
                self._show(state, state.ticket)

    def wiggle(self, part: str, n: int) -> None:
        """Move a part: what is loose on it may show, as the answer to action `n`."""
        for state in self._faults:
            self._wiggle(state, part, n)

    def replace(self, part: str) -> None:
        """Take a part off the machine; the new one is sound."""
        for state in self._faults:
            if state.fault.part == part:
                state.gone = True
                state.open_until_s = min(state.open_until_s, self._agenda.now_s)

    def handle(self, part: str) -> None:
        """Have hands on a part: a segment that had latched makes contact again."""
        for state in self._faults:
            if part == state.fault.part and state.fault.latches:
                state.open_until_s = min(state.open_until_s, self._agenda.now_s)

    def settle(self, n: int | None) -> None:
        """Bring every fault in line with the plugs; `n` is the action that has just changed them."""
        for state in self._faults:
            connected = bool(self.exposed(state.fault.part)) and not state.gone
            if connected and not state.connected:
                state.exposed_by, state.shown, state.exposed_at_s = n, False, self._agenda.now_s
            state.connected = connected
            self._let_go(state)
            self._arm(state)

    def came_up(self) -> None:
        """Take that a controller runs."""
        for state in self._faults:
            self._arm(state)

    def stopped(self, controller: str) -> None:
        """Take that a controller runs no more."""
        for state in self._faults:
            self._end_complaint(state, controller, by_power=True)
            self._arm(state)

    # From exposed to showing

    def _go_bad(self, state: FaultState) -> Callable[[], None]:
        def go() -> None:
            state.exposed_by = None  # what exposed it while it was sound is not what makes it show
            self._arm(state)

        return go

    def _arm(self, state: FaultState) -> None:
        """Let a fault's clock run while it is exposed to a controller that is up, and stop it otherwise."""
        up = any(self._units.is_up(name) for name in self.exposed(state.fault.part))
        if state.fault.at_power_up:
            up = up and (state.armed or self._starts_now(state))
        bad = not state.gone and state.fault.from_s <= self._agenda.now_s
        live = up and bad and state.open_until_s <= self._agenda.now_s and not state.complaints
        if live == state.armed:
            return
        state.armed = live
        state.ticket += 1
        self.omens.pop(state.fault.part, None)
        if live:
            ticket = state.ticket
            shows_s = self._agenda.now_s + self._wait_s(state.fault)
            if state.fault.part in self._lead_s and math.isfinite(shows_s):
                told_s = max(self._agenda.now_s, shows_s - self._lead_s[state.fault.part])
                self._agenda.plan(told_s, lambda: self._foretell(state, ticket))
            self._agenda.plan(shows_s, lambda: self._show(state, ticket))

    def _starts_now(self, state: FaultState) -> bool:
        """Whether a controller that the fault reaches comes up at this moment."""
        return any(self._units[name].up_since_s == self._agenda.now_s for name in self.exposed(state.fault.part))

    def _wait_s(self, fault: Fault) -> float:
        if fault.is_hard:
            return float(self._rng.uniform(0.05, 3.0)) if fault.delay_s is None else fault.delay_s
        return float(self._rng.exponential(1.0 / fault.rate_hz)) if fault.rate_hz > 0.0 else math.inf

    def _foretell(self, state: FaultState, ticket: int) -> None:
        if ticket == state.ticket and state.armed:
            self.omens[state.fault.part] = self._agenda.now_s

    def _wiggle(self, state: FaultState, part: str, n: int) -> None:
        kind = self._machine.parts[part].kind if part in self._machine.parts else None
        moves_what_hangs_on_it = kind not in (PartKind.FEED, PartKind.SEGMENT)
        touched = state.fault.part == part or (moves_what_hangs_on_it and self._wiring.hangs_on(state.fault.part, part))
        if touched and state.armed and not state.fault.is_hard and self._rng.random() < _EVEN_ODDS:
            ticket = state.ticket
            self._agenda.plan(
                self._agenda.now_s + float(self._rng.uniform(0.05, 1.0)), lambda: self._show(state, ticket, n)
            )

    # Showing

    def _show(self, state: FaultState, ticket: int, wiggled: int | None = None) -> None:
        if ticket != state.ticket or not state.armed:
            return
        answers = state.exposed_by if state.fault.is_hard and not state.shown else wiggled
        fault = state.fault
        soon = answers is None and not state.shown and self._agenda.now_s - state.exposed_at_s <= _SOON_S
        if soon and state.exposed_by is not None:
            for name in self.exposed(fault.part):
                self.by_chance[name, self._agenda.now_s] = state.exposed_by
        state.shown = True
        holds_s = fault.holds_s * (1.0 + fault.holds_spread * float(self._rng.uniform(-1.0, 1.0)))
        effect = self._effect(fault)
        if effect is Effect.COMPLAIN:
            self._complain(state, holds_s)
        elif effect is Effect.UNHEARD:
            self._open(state, answers, holds_s)
        else:
            self._reset(state, answers, holds_s)

    def _effect(self, fault: Fault) -> Effect:
        if fault.effect is not None:
            return fault.effect
        part = self._machine.parts.get(fault.part)
        return Effect.UNHEARD if part is not None and part.kind is PartKind.SEGMENT else Effect.RESET

    def _reset(self, state: FaultState, answers: int | None, holds_s: float) -> None:
        """Stop every controller that it reaches: for good, for as long as it is in, or for a while."""
        cause = f"fault:{state.fault.part}"
        running = (Run.UP, Run.STARTING)
        hit = [name for name in self.exposed(state.fault.part) if self._units[name].run in running]
        quickest_s = min((self._units.expected_boot_s(name) for name in hit), default=0.0)
        for name in hit:
            if state.fault.latches:
                self._units.stop(name, Run.LATCHED, cause, answers)
            elif state.fault.held:
                self._units.stop(name, Run.DOWN, cause, answers)
                state.held.add(name)
            else:
                self._units.hold(name, cause, answers, holds_s + self._units.drawn_boot_s(name) - quickest_s)

    def _open(self, state: FaultState, answers: int | None, holds_s: float) -> None:
        """Make a segment (or a controller's own bus lead) pass nothing for a while."""
        state.open_until_s = math.inf if state.fault.latches else self._agenda.now_s + holds_s
        state.armed = False
        state.ticket += 1
        for name in self._unheard(state):
            self._units.tell(name, answers)
        if not math.isinf(state.open_until_s):
            self._agenda.plan(state.open_until_s, self._close)

    def _close(self) -> None:
        """Let a wire that was open make contact again."""
        self._units.settle(None)
        self.settle(None)

    def _unheard(self, state: FaultState) -> tuple[str, ...]:
        return self._wiring.troubled_by(state.fault.part)

    def _complain(self, state: FaultState, holds_s: float) -> None:
        """Let every controller that it reaches say so: for good, for as long as it is in, or for a while."""
        for name in self.exposed(state.fault.part):
            if self._units.is_up(name):
                state.complaints[name] = self._agenda.now_s
                if not state.fault.latches and not state.fault.held:
                    self._agenda.plan(self._agenda.now_s + holds_s, self._complaint_ends(state, name))
        self._arm(state)

    # Letting go

    def _let_go(self, state: FaultState) -> None:
        """Start the controllers that a part kept down and is no longer joined to."""
        reached = set() if state.gone else set(self.exposed(state.fault.part))
        for name in [] if state.fault.latches else sorted(set(state.complaints) - reached):
            self._agenda.plan(self._agenda.now_s + state.fault.clears_s, self._complaint_ends(state, name))
        for name in sorted(state.held):
            if self._units[name].run is not Run.DOWN:
                state.held.discard(name)  # its power went off meanwhile: it starts with the power
            elif name not in reached:
                state.held.discard(name)
                self._units.start(name, None)

    def _complaint_ends(self, state: FaultState, name: str) -> Callable[[], None]:
        from_s = state.complaints[name]

        def end() -> None:
            if state.complaints.get(name) == from_s:
                self._end_complaint(state, name, by_power=False)
                self._arm(state)

        return end

    def _end_complaint(self, state: FaultState, name: str, *, by_power: bool) -> None:
        from_s = state.complaints.pop(name, None)
        if from_s is not None:
            self._showings.append(
                WorldShowing(
                    part=state.fault.part,
                    controller=name,
                    from_s=from_s,
                    to_s=self._agenda.now_s,
                    by_power=by_power,
                )
            )
