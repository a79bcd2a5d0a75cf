"""Simulated fault-finding sessions with known truth, at the level of incidents: no frames, so hundreds take seconds.

`live_through` lets a technician in software work on a simulated machine; `observe` turns what happened into the
incidents that a capture would have shown, with the blur of real detection: frames come at periods, losses within a
deadline are one incident, a restart is not always proven.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine import Machine, PartKind
from busdoc.simulation.technician import CAREFUL, Habits, Technician
from busdoc.simulation.timeline import Absence, absences
from busdoc.simulation.world import Fault, World
from tests.truth.by_chance.random_machine import random_machine

__all__ = [
    "EXPECTED",
    "PROVES",
    "Session",
    "SessionKind",
    "StoryTeller",
    "Told",
    "live_through",
    "observe",
    "session_health",
    "tell_story",
]

NS = 1_000_000_000
START_NS = 1_772_438_400 * NS


PROVES = 0.5
"""Share of technicians that prove a repair before they leave."""
EXPECTED = frozenset({"power", "unplugged", "bus"})
"""Causes of an absence that an action explains by itself."""


class SessionKind(StrEnum):
    """What is wrong with the machine."""

    HARD_BRANCH = "hard branch"
    INTERMITTENT_BRANCH = "intermittent branch"
    TWO_FAULTS = "two faults"
    CONTROLLER = "controller"
    FEED = "feed"
    SEGMENT = "segment"
    SPONTANEOUS = "spontaneous"
    DEAD = "dead from the start"
    """The controller, or a hard fault of its branches, keeps it off the bus before the record begins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One session: what was seen and written down, and what was true."""

    kind: SessionKind
    seed: int
    machine: Machine
    health: Health
    actions: tuple[Action, ...]
    faulty: tuple[str, ...]
    answers: tuple[int | None, ...]
    """For each incident of `health`: the `Action.n` that it answers."""
    expected: tuple[bool, ...]
    """For each incident: whether taking power, bus or a connector away explains it."""
    until_ns: int
    carried_out: bool
    """The procedure was not broken off early."""
    faults: tuple[Fault, ...] = ()
    exposures: tuple[tuple[float, frozenset[str]], ...] = ()
    """(s, the parts of the first controller that were joined to it from then on), as it really was."""


def _fault_story(
    kind: SessionKind, rng: np.random.Generator, machine: Machine, n_branches: int
) -> tuple[tuple[Fault, ...], float]:
    branch = [f"{rng.choice(('harness', 'sensor'))}-{k}" for k in 1 + rng.permutation(n_branches)]
    latches, held = _way_of_letting_go(rng)
    from_s = float(rng.choice([0.0, rng.uniform(10.0, 60.0)]))
    rare_hz = 1.0 / float(np.exp(rng.uniform(np.log(15.0), np.log(120.0))))
    holds_s = float(rng.uniform(2.0, 12.0))
    rng = np.random.default_rng(rng.integers(2**32))
    if kind is SessionKind.HARD_BRANCH:
        return (Fault(part=branch[0], latches=latches, held=held, holds_s=holds_s, from_s=from_s),), 0.0
    if kind is SessionKind.INTERMITTENT_BRANCH:
        return (
            Fault(part=branch[0], rate_hz=rare_hz, latches=latches, held=held, holds_s=holds_s, from_s=from_s),
        ), 0.0
    if kind is SessionKind.TWO_FAULTS:
        first = Fault(part=branch[0], latches=latches, held=held, holds_s=holds_s, from_s=from_s)
        second_hz = np.inf if rng.random() < 0.5 else rare_hz
        later_s = from_s if rng.random() < 0.5 else float(rng.uniform(from_s, 200.0))  # it was sound until then
        latches, held = _way_of_letting_go(rng)
        second = Fault(part=branch[1], rate_hz=second_hz, latches=latches, held=held, holds_s=holds_s, from_s=later_s)
        return (first, second), 0.0
    if kind is SessionKind.CONTROLLER:
        part = str(rng.choice(sorted(machine.controllers)))
        return (Fault(part=part, rate_hz=rare_hz, latches=latches, holds_s=holds_s, from_s=from_s),), 0.0
    if kind is SessionKind.DEAD:
        owner = next(iter(machine.controllers))
        part = owner if rng.random() < 0.3 else branch[0]
        return (Fault(part=part, latches=latches or part == owner, held=held, holds_s=60.0, delay_s=0.0),), 0.0
    if kind is SessionKind.FEED:
        used = sorted(p.name for p in machine.parts.values() if p.kind is PartKind.FEED)
        used = [name for name in used if machine.controllers_below(name)]
        return (Fault(part=str(rng.choice(used)), rate_hz=rare_hz, holds_s=holds_s, from_s=from_s),), 0.0
    if kind is SessionKind.SEGMENT:
        used = sorted({c.segment for c in machine.controllers.values() if c.segment is not None})
        holds_s = float(rng.uniform(3.5, 12.0))
        return (Fault(part=str(rng.choice(used)), rate_hz=rare_hz, holds_s=holds_s, from_s=from_s),), 0.0
    return (), 1.0 / float(rng.uniform(150.0, 600.0))


def _way_of_letting_go(rng: np.random.Generator) -> tuple[bool, bool]:
    """Half of the faults latch, one in five holds as long as the part is in, the others let go alone."""
    way = rng.random()
    return bool(way < 0.5), bool(0.5 <= way < 0.7)


def _work(
    technician: Technician, machine: Machine, branches: Sequence[str], rng: np.random.Generator, dwell_s: float
) -> None:
    """Follow one of the procedures of the trade, by chance."""
    controller = next(iter(machine.controllers))
    way = rng.random()
    if way < 0.4:
        left_out = technician.restore_one_at_a_time(controller, branches, dwell_s=dwell_s)
        if left_out is not None:
            _look_into(technician, controller, left_out, dwell_s)
    elif way < 0.7:
        _look_into(technician, controller, technician.half_split(controller, branches, dwell_s=dwell_s), dwell_s)
    elif way < 0.85:
        technician.watch(dwell_s * 3)
        technician.power_cycle()
        technician.fiddle(branches, times=3, gap_s=lambda: float(rng.uniform(3.0, dwell_s)))
    else:
        technician.fiddle(branches, times=6, gap_s=lambda: float(rng.uniform(3.0, dwell_s)))


def _look_into(technician: Technician, controller: str, branch: str, dwell_s: float) -> None:
    """Tell a harness from its sensor: the harness first without it, then with it; at last a new part."""
    sensor = branch.replace("harness", "sensor")
    technician.do(ActionKind.UNPLUG, sensor)
    technician.do(ActionKind.PLUG, branch)
    harness_is_good = not technician.watch_until_lost(controller, dwell_s)
    if harness_is_good:
        technician.do(ActionKind.PLUG, sensor)
        technician.watch_until_lost(controller, dwell_s)
    culprit = sensor if harness_is_good else branch
    technician.do(ActionKind.REPLACE, culprit)
    technician.watch(5.0)
    if not technician.world.well(controller):
        technician.power_cycle()
    technician.watch(dwell_s)


def _prove(technician: Technician, controller: str) -> None:
    """After a repair, watch for as long as the trouble would have needed to come back with 95 %.

    That is three times the mean time between the troubles that the controller has had (common practice: prove no return
    for the dwell); nobody stays for more than ten minutes.
    """
    world = technician.world
    if not any(action.kind is ActionKind.REPLACE for action in technician.actions):
        return
    falls = sum(a.controller == controller and a.cause not in EXPECTED for a in absences(world.events, world.now_s))
    falls += sum(one.controller == controller for one in world.showings)
    if falls:
        technician.watch_until_lost(controller, min(3.0 * world.now_s / falls, 600.0))


class _CutShort(Exception):
    """The technician was called away."""


class _Clocked(World):
    """A world that stops at a given time."""

    def __init__(self, machine: Machine, faults: Sequence[Fault], rng: np.random.Generator, **options: object) -> None:
        self.stop_s = float("inf")
        self.exposures: list[tuple[float, frozenset[str]]] = []
        super().__init__(machine, faults, rng, **options)  # type: ignore[arg-type]  # handed through as given
        self._note()

    def act(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> int:
        n = super().act(kind, part, into)
        self._note()
        return n

    def _note(self) -> None:
        first = next(iter(self.machine.controllers))
        self.exposures.append((self.now_s, frozenset(p for p in self.machine.parts if first in self.exposed(p))))

    def advance(self, dt_s: float) -> None:
        super().advance(min(dt_s, max(0.0, self.stop_s - self.now_s)))
        if self.now_s >= self.stop_s:
            raise _CutShort


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryTeller:
    """What a story of faults is made up from."""

    rng: np.random.Generator
    machine: Machine
    branch: tuple[str, ...]
    """A harness or a sensor of each branch of the first controller, in an order by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A session as it was lived through, before anybody asks what was seen of it."""

    world: World
    rng: np.random.Generator
    machine: Machine
    actions: tuple[Action, ...]
    faulty: tuple[str, ...]
    incidents: tuple[Incident, ...]
    until_ns: int
    carried_out: bool


def tell_story(
    kind: SessionKind, seed: Sequence[int], story: Callable[[StoryTeller], tuple[tuple[Fault, ...], float]]
) -> Told:
    """Live through a session with faults of one's own, on the machines and by the procedures of the others.

    Parameters
    ----------
    kind : decides how long the technician watches
    seed : decides everything else
    story : gives the faults, and the rate of restarts that none of them makes
    """
    rng = np.random.default_rng(list(seed))
    machine, n_branches = _machine(rng)
    branch = tuple(f"{rng.choice(('harness', 'sensor'))}-{k}" for k in 1 + rng.permutation(n_branches))
    faults, background_hz = story(StoryTeller(rng=rng, machine=machine, branch=branch))
    world, technician, cut = _work_through(kind, rng, machine, n_branches, faults, background_hz)
    until_ns = START_NS + round(world.now_s * NS)
    incidents, _, _ = observe(absences(world.events, world.now_s), machine, rng, technician.journal_number)
    return Told(
        world=world,
        rng=rng,
        machine=machine,
        actions=tuple(a for a in technician.actions if a.time_ns <= until_ns),
        faulty=tuple(fault.part for fault in faults),
        incidents=incidents,
        until_ns=until_ns,
        carried_out=not cut,
    )


def _machine(rng: np.random.Generator) -> tuple[Machine, int]:
    n_branches = int(rng.integers(3, 7))
    machine = random_machine(
        rng,
        n_controllers=int(rng.integers(4, 10)),
        n_branches=n_branches,
        n_feeds=int(rng.integers(2, 4)),
        n_segments=int(rng.integers(2, 4)),
    )
    return machine, n_branches


def _work_through(
    kind: SessionKind,
    rng: np.random.Generator,
    machine: Machine,
    n_branches: int,
    faults: Sequence[Fault],
    background_hz: float,
    *,
    habits: Habits = CAREFUL,
    broken_off: bool | None = None,
    proves: float = PROVES,
) -> tuple["_Clocked", Technician, bool]:
    """Let a technician work on the machine; say whether he was called away."""
    world = _Clocked(
        machine,
        faults,
        rng,
        background_rate_hz=background_hz,
        boot_s={name: float(rng.uniform(1.0, 4.0)) for name in machine.controllers},
        off_s={name: float(rng.uniform(0.02, 0.3)) for name in machine.controllers},
        boot_spread=0.03,
    )
    cut = bool(rng.random() < 0.25) if broken_off is None else broken_off
    if cut:
        world.stop_s = float(rng.uniform(70.0, 200.0))
    technician = Technician(world, rng, habits, start_ns=START_NS)
    dwell_s = float(rng.uniform(6.0, 12.0)) if kind is SessionKind.HARD_BRANCH else float(rng.uniform(8.0, 60.0))
    try:
        technician.watch(float(rng.uniform(30.0, 90.0)))
        _work(technician, machine, [f"harness-{k}" for k in range(1, n_branches + 1)], rng, dwell_s)
        if rng.random() < proves:
            _prove(technician, next(iter(machine.controllers)))
        technician.watch(10.0)
    except _CutShort:
        pass
    return world, technician, cut


def live_through(
    kind: SessionKind,
    seed: int,
    *,
    habits: Habits = CAREFUL,
    broken_off: bool | None = None,
    proves: float = PROVES,
) -> Session:
    """Live through one session.

    Parameters
    ----------
    kind : what is wrong
    seed : decides everything else
    habits : of the presses
    broken_off : stop it at a random time; None: in one session out of four
    proves : share of those who replaced a part that then watch for as long as the old one would have needed to show
    """
    rng = np.random.default_rng([seed, list(SessionKind).index(kind)])
    machine, n_branches = _machine(rng)
    faults, background_hz = _fault_story(kind, rng, machine, n_branches)
    world, technician, cut = _work_through(
        kind, rng, machine, n_branches, faults, background_hz, habits=habits, broken_off=broken_off, proves=proves
    )
    until_ns = START_NS + round(world.now_s * NS)
    lost = absences(world.events, world.now_s)
    incidents, answers, expected = observe(lost, machine, rng, technician.journal_number)
    return Session(
        kind=kind,
        seed=seed,
        machine=machine,
        health=session_health(incidents, until_ns, _not_heard_at_first(lost, until_ns)),
        actions=tuple(a for a in technician.actions if a.time_ns <= until_ns),
        faulty=tuple(fault.part for fault in faults),
        answers=answers,
        expected=expected,
        until_ns=until_ns,
        carried_out=not cut,
        faults=faults,
        exposures=tuple(world.exposures),
    )


def session_health(
    incidents: Sequence[Incident], until_ns: int, controllers: Sequence[ControllerHealth] = ()
) -> Health:
    """Wrap incidents as a capture's health."""
    return Health(
        start_ns=START_NS,
        until_ns=until_ns,
        frames=0,
        error_frames=0,
        controllers=tuple(controllers),
        incidents=tuple(incidents),
        gaps=(),
    )


def away_from_the_start(lost: Sequence[Absence]) -> dict[str, float | None]:
    """Give the controllers that were off the bus as the record began, with when they were first heard, s."""
    first_s: dict[str, float | None] = {}
    for absence in lost:
        until_s = first_s.get(absence.controller, -1.0)
        if absence.lost_s == 0.0 or (until_s is not None and abs(absence.lost_s - until_s) < _NO_FRAME_S):
            first_s[absence.controller] = absence.back_s
    return first_s


def _not_heard_at_first(lost: Sequence[Absence], until_ns: int) -> tuple[ControllerHealth, ...]:
    return tuple(
        ControllerHealth(
            name=name,
            channel=0,
            identity=Identity(),
            frames=0,
            streams=(),
            state=ControllerState.NEVER_SEEN if back_s is None else ControllerState.STEADY,
            present_ns=0,
            lost_ns=0,
            dropouts=0,
            restarts=0,
            first_ns=None if back_s is None else START_NS + round(back_s * NS),
            last_ns=None if back_s is None else until_ns,
        )
        for name, back_s in away_from_the_start(lost).items()
    )


_NO_FRAME_S = 1e-6
"""A controller that is up for no longer than this is not heard."""


def observe(
    lost: Sequence[Absence],
    machine: Machine,
    rng: np.random.Generator,
    journal_number: Callable[[int | None], int | None] = lambda act: act,
) -> tuple[tuple[Incident, ...], tuple[int | None, ...], tuple[bool, ...]]:
    """Turn absences into incidents as they would be detected.

    Returns
    -------
    incidents, the action that each answers, whether each is explained by an action alone
    """
    period_s = {name: float(rng.choice((0.01, 0.02, 0.05, 0.1, 0.1, 0.25))) for name in machine.controllers}
    seen: list[tuple[Loss, Absence]] = []
    last_back: dict[str, tuple[int, int]] = {}
    first_s = away_from_the_start(lost)
    for absence in lost:
        heard_s = first_s.get(absence.controller, -1.0)
        if heard_s is None or absence.lost_s < heard_s:
            continue  # never heard so far: no loss that anybody saw
        period = period_s[absence.controller]
        early_s = float(rng.uniform(0.0, period))
        last_ns = START_NS + round((absence.lost_s - early_s) * NS)
        back_ns = None if absence.back_s is None else START_NS + round((absence.back_s + 0.002) * NS)
        if absence.back_s is not None and absence.back_s - absence.lost_s < 3.5 * period and not absence.restarted:
            continue
        before = last_back.get(absence.controller)
        if before is not None and last_ns <= before[1]:  # no frame between: one silence
            k = before[0]
            joined = replace(seen[k][0], back_ns=back_ns, steady_ns=None if back_ns is None else back_ns + NS // 2)
            seen[k] = (joined, seen[k][1])
            last_back[absence.controller] = (k, back_ns or 2**62)
            continue
        ran_on, p = _ran_on(absence, rng)
        loss = Loss(
            controller=absence.controller,
            last_seen_ns=last_ns,
            onset_ns=last_ns + round(period * NS),
            back_ns=back_ns,
            steady_ns=None if back_ns is None else back_ns + NS // 2,
            ran_on=ran_on,
            p_restarted=p,
        )
        last_back[absence.controller] = (len(seen), back_ns or 2**62)
        seen.append((loss, absence))
    return _gather(seen, machine, journal_number)


def _ran_on(absence: Absence, rng: np.random.Generator) -> tuple[RanOn, float | None]:
    if absence.back_s is None or rng.random() < 0.08:
        return RanOn.UNKNOWN, None
    restarted = absence.restarted if rng.random() > 0.02 else not absence.restarted
    p = float(rng.uniform(0.9, 0.999))
    return (RanOn.RESTARTED, p) if restarted else (RanOn.KEPT_RUNNING, 1.0 - p)


def _gather(
    seen: list[tuple[Loss, Absence]], machine: Machine, journal_number: Callable[[int | None], int | None]
) -> tuple[tuple[Incident, ...], tuple[int | None, ...], tuple[bool, ...]]:
    seen.sort(key=lambda pair: pair[0].last_seen_ns)
    groups: list[list[tuple[Loss, Absence]]] = []
    for pair in seen:
        near = groups and pair[0].last_seen_ns - groups[-1][0][0].last_seen_ns < 400_000_000
        known = groups and pair[0].controller in {loss.controller for loss, _ in groups[-1]}
        if near and not known:
            groups[-1].append(pair)
        else:
            groups.append([pair])
    incidents: list[Incident] = []
    answers: list[int | None] = []
    expected: list[bool] = []
    for group in groups:
        losses = tuple(loss for loss, _ in group)
        backs = [loss.back_ns for loss in losses]
        known_p = [loss.p_restarted for loss in losses if loss.p_restarted is not None]
        p = None if not known_p else float(np.mean(known_p))
        ran_on = RanOn.UNKNOWN if p is None else RanOn.RESTARTED if p > 0.5 else RanOn.KEPT_RUNNING
        back_ns = None if None in backs else max(b for b in backs if b is not None)
        everyone = len(losses) == len(machine.controllers)
        incidents.append(
            Incident(
                kind=IncidentKind.BUS_SILENCE if everyone and len(losses) > 1 else IncidentKind.DROPOUT,
                channel=0,
                controllers=tuple(loss.controller for loss in losses),
                last_seen_ns=min(loss.last_seen_ns for loss in losses),
                onset_ns=min(loss.onset_ns for loss in losses),
                back_ns=back_ns,
                steady_ns=None if back_ns is None else back_ns + NS // 2,
                ran_on=ran_on,
                p_restarted=p,
                losses=losses,
            )
        )
        acts = [absence.act for _, absence in group]
        act = next((a for a in acts if a is not None), None)
        answers.append(journal_number(act))
        causes = {absence.cause for _, absence in group}
        expected.append(bool(causes & EXPECTED))
    return tuple(incidents), tuple(answers), tuple(expected)
