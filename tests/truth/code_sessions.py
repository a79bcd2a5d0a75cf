"""Simulated fault-finding sessions in which a fault shows by a code, a signal or a lamp, and nobody falls off the bus.

The machines, the technicians and their procedures are those of `tests.truth.isolation_sessions`; what differs is what
the faults do, and how it is seen: by a broadcast once a second (SAE J1939-73 5.7.1) that is silent while its controller
starts, by a signal, or by a person who looks up every few seconds and now and then errs.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.unheard import unheard
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.summary import Health
from busdoc.isolation.engine import SymptomVerdict, isolate, isolate_symptom
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import ELSEWHERE, IsolationVerdict
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine import Machine
from busdoc.simulation.timeline import absences
from busdoc.simulation.world import Effect, Fault, World
from busdoc.symptoms.complaint import choose_complaint
from busdoc.symptoms.gather import gather_symptoms
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from tests.truth.isolation_sessions import NS, START_NS, SessionKind, StoryTeller, session_health, tell_story

__all__ = ["CodeSession", "JudgedCode", "Showing", "judge_code", "judge_dropouts", "live_with_codes"]


class Showing(StrEnum):
    """How the fault shows."""

    LATCHED = "code, latched"
    FREE = "code, free"
    INTERMITTENT = "code, intermittent"
    TWO_FAULTS = "two faults, one code"
    TWO_CODES = "two faults, two codes"
    CONTROLLER = "code of the controller's own"
    UNEXPLAINED = "code that no part explains"
    STATUS = "status signal"
    COUNTER = "counter"
    CONDITION = "condition on a signal"
    SUPPLY = "codes of a sensor supply"
    RESETS = "resets over and over, with a code"
    SELF_TEST = "code that only a start brings"
    LAMP = "lamp, seen by a person who errs"
    NO_BUS = "no bus at all, a lamp"
    LOOKED = "lamp, each look written down"


_BY_EYE = (Showing.LAMP, Showing.NO_BUS, Showing.LOOKED)


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeSession:
    """What was seen and written down, and what was true."""

    showing: Showing
    seed: int
    machine: Machine
    health: Health
    codes: tuple[FaultCode, ...]
    actions: tuple[Action, ...]
    faulty: tuple[str, ...]
    carried_out: bool
    further: tuple[Symptom, ...] = ()
    """Symptoms that are no codes, and nobody saw with his eyes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedCode:
    """One session with what the engine said of it; as `tests.truth.calibration.Judged`."""

    session: CodeSession
    verdict: IsolationVerdict
    found: SymptomVerdict | None = None

    @property
    def guilty(self) -> frozenset[str]:
        return frozenset(self.session.faulty) or frozenset({ELSEWHERE})

    @property
    def on_top(self) -> str:
        return self.verdict.suspects[0].part

    @property
    def worst_innocent(self) -> float:
        return max(
            (s.probability for s in self.verdict.suspects if s.part not in self.guilty and s.part != ELSEWHERE),
            default=0.0,
        )

    @property
    def ranks_first(self) -> float:
        """The chance that a faulty part is looked at first, those of equal probability in an order by chance."""
        best = self.verdict.suspects[0].probability - 1e-6
        top = [s.part in self.guilty for s in self.verdict.suspects if s.probability >= best]
        return float(np.mean(top))

    @property
    def names_it(self) -> bool:
        """Whether a faulty part is named: at 80 % or more."""
        return any(s.probability >= 0.8 and s.part in self.guilty for s in self.verdict.suspects)

    @property
    def log_score(self) -> float:
        given = {s.part: s.probability for s in self.verdict.suspects}
        return float(np.mean([np.log(max(given.get(part, 0.0), 1e-9)) for part in self.guilty]))


def live_with_codes(showing: Showing, seed: int, *, as_dropouts: bool = False) -> CodeSession:
    """Live through one session.

    Parameters
    ----------
    as_dropouts : the same faults on the same machine take its controller off the bus instead
    """

    def story(teller: StoryTeller) -> tuple[tuple[Fault, ...], float]:
        faults, background_hz = _faults(showing, teller)
        return tuple(replace(one, effect=None) if as_dropouts else one for one in faults), background_hz

    told = tell_story(SessionKind.HARD_BRANCH, [seed, 7919, list(Showing).index(showing)], story)
    world, rng = told.world, told.rng
    until_s = world.now_s
    lost = absences(world.events, until_s)
    actions = told.actions
    if showing in _BY_EYE:
        actions = _with_looks(actions, world, rng, until_s, each=showing is Showing.LOOKED)
    up = {
        name: _up(name, [(a.lost_s, a.back_s) for a in lost if a.controller == name], until_s)
        for name in told.machine.controllers
    }
    health = (
        unheard(told.actions, START_NS, told.until_ns)
        if showing is Showing.NO_BUS
        else replace(
            session_health(told.incidents, told.until_ns),
            controllers=tuple(_heard(name, spans, told.until_ns) for name, spans in up.items()),
        )
    )
    without_codes = (*_BY_EYE, Showing.CONDITION)
    return CodeSession(
        showing=showing,
        seed=seed,
        machine=_on_one_supply(told.machine) if showing is Showing.SUPPLY else told.machine,
        health=health,
        codes=() if showing in without_codes else _codes(showing, world, up, rng, until_s),
        actions=actions,
        faulty=told.faulty,
        carried_out=told.carried_out,
        further=(_condition(world, up, rng, until_s),) if showing is Showing.CONDITION else (),
    )


def _on_one_supply(machine: Machine) -> Machine:
    """Let all sensors of the first controller hang on one sensor supply, as the map says."""
    parts = {
        name: replace(part, supply="5V-1") if name.startswith("sensor-") else part
        for name, part in machine.parts.items()
    }
    return replace(machine, parts=parts)


def _condition(
    world: World, up: dict[str, list[tuple[float, float]]], rng: np.random.Generator, until_s: float
) -> Symptom:
    """Give a comparison with a signal that comes ten times a second, true for a fifth of a second before it counts."""
    owner = next(iter(world.machine.controllers))
    spans = []
    for one in sorted(world.showings, key=lambda one: one.from_s):
        began_s = one.from_s + float(rng.uniform(0.0, 0.1)) + 0.2
        over_s = None if one.to_s is None else one.to_s + (0.0 if one.by_power else float(rng.uniform(0.0, 0.1)))
        began_up = next((a for a, b in up[owner] if a <= began_s < b), None)
        if began_up is None or (over_s is not None and over_s <= began_s):
            continue
        at_first = began_up == 0.0 and began_s - began_up < 0.4
        spans.append(
            ShowingSpan(
                since_ns=_ns(began_s),
                not_yet_ns=None if at_first else _ns(max(began_s - 0.1, began_up)),
                still_ns=_ns(until_s if over_s is None else max(over_s - 0.1, began_s)),
                gone_ns=None if over_s is None else _ns(over_s),
            )
        )
    return Symptom(
        kind=SymptomKind.CONDITION,
        name="Status.SensorSupply < 4.6 for 0.2 s",
        text="made up",
        controller=owner,
        spans=tuple(spans),
        observable=tuple((_ns(a + 0.1), _ns(b)) for a, b in up[owner] if b - a > 0.2),
        latency_ns=round(1.2 * NS),
    )


def judge_dropouts(session: CodeSession) -> JudgedCode | None:
    """Let the engine work on a session with dropouts; None where nothing showed."""
    because = attribute(session.health, session.actions, session.machine)
    verdict = isolate(session.health, session.actions, session.machine, because)
    return JudgedCode(session=session, verdict=verdict) if verdict.suspects else None


def judge_code(session: CodeSession) -> JudgedCode | None:
    """Let the engine work on a session; None where nothing showed."""
    because = attribute(session.health, session.actions, session.machine)
    expected = frozenset(k for k, one in enumerate(because) if one.expected)
    symptoms = gather_symptoms(
        session.machine, session.health, session.codes, session.actions, expected, session.further
    )
    complaint = choose_complaint(symptoms, session.actions)
    if complaint is None:
        return None
    found = isolate_symptom(session.health, session.actions, session.machine, because, complaint, session.codes)
    return JudgedCode(session=session, verdict=found.verdict, found=found) if found.verdict.suspects else None


def _faults(showing: Showing, teller: StoryTeller) -> tuple[tuple[Fault, ...], float]:
    rng, branch = teller.rng, teller.branch
    rare_hz = 1.0 / float(np.exp(rng.uniform(np.log(15.0), np.log(120.0))))
    from_s = float(rng.choice([0.0, rng.uniform(10.0, 60.0)]))

    def fault(part: str, *, latches: bool, hard: bool) -> Fault:
        return Fault(
            part=part,
            rate_hz=np.inf if hard else rare_hz,
            latches=latches,
            held=hard and not latches,
            holds_s=float(rng.uniform(2.0, 12.0)),
            effect=Effect.COMPLAIN,
            from_s=from_s,
            clears_s=float(rng.uniform(0.2, 2.0)),
        )

    if showing is Showing.LATCHED:
        return (fault(branch[0], latches=True, hard=bool(rng.random() < 0.6)),), 0.0
    if showing is Showing.SELF_TEST:
        one = fault(branch[0], latches=True, hard=True)
        return (replace(one, at_power_up=True, delay_s=float(rng.uniform(0.1, 3.0))),), 0.0
    if showing in (*_BY_EYE, Showing.COUNTER):
        return (fault(branch[0], latches=bool(rng.random() < 0.5), hard=True),), 0.0
    if showing is Showing.SUPPLY:
        shorts = f"sensor-{branch[0].partition('-')[2]}"
        return (fault(shorts, latches=bool(rng.random() < 0.4), hard=True),), 0.0
    if showing is Showing.RESETS:
        one = fault(branch[0], latches=False, hard=True)
        return (replace(one, effect=None, held=False, holds_s=float(rng.uniform(1.5, 6.0)), delay_s=2.5),), 0.0
    if showing in (Showing.FREE, Showing.STATUS, Showing.CONDITION):
        return (fault(branch[0], latches=False, hard=True),), 0.0
    if showing is Showing.INTERMITTENT:
        return (fault(branch[0], latches=bool(rng.random() < 0.3), hard=False),), 0.0
    if showing in (Showing.TWO_FAULTS, Showing.TWO_CODES):
        latches = bool(rng.random() < 0.5)
        second = fault(branch[1], latches=latches, hard=bool(rng.random() < 0.5))
        return (fault(branch[0], latches=latches, hard=True), second), 0.0
    if showing is Showing.UNEXPLAINED:
        return (), 0.0
    owner = next(iter(teller.machine.controllers))
    latches = bool(rng.random() < 0.3)
    return (
        Fault(part=owner, rate_hz=rare_hz, latches=latches, holds_s=8.0, effect=Effect.COMPLAIN, from_s=from_s),
    ), 0.0


def _with_looks(
    actions: Sequence[Action], world: World, rng: np.random.Generator, until_s: float, *, each: bool
) -> tuple[Action, ...]:
    """Let a person look up every ten seconds or so and before each step, err in three looks of a hundred, and press
    when what they see changes; or, as they are asked to, with each look."""
    owner = next(iter(world.machine.controllers))
    lost = [(a.lost_s, a.back_s) for a in absences(world.events, until_s) if a.controller == owner]
    up = _up(owner, lost, until_s)
    pressed: list[Action] = []
    seen: bool | None = None
    now_and_then = np.cumsum(rng.uniform(5.0, 15.0, int(until_s / 5.0) + 1)) - 5.0
    before_acting = [(action.time_ns - START_NS) / NS - 1.5 for action in actions]
    for at_s in sorted([*now_and_then[now_and_then < until_s].tolist(), *before_acting]):
        if any(a + 1.0 < at_s < b for a, b in up):
            shows = any(one.from_s <= at_s and (one.to_s is None or at_s < one.to_s) for one in world.showings)
            sees = shows if rng.random() > 0.03 else not shows
            if sees != seen or each:
                kind = ActionKind.SEEN if sees else ActionKind.GONE
                time_ns = _ns(at_s + float(rng.uniform(0.2, 1.5)))
                pressed.append(Action(n=0, time_ns=time_ns, uncertainty_ns=NS, kind=kind, part=None))
                seen = sees
    ordered = sorted((*actions, *pressed), key=lambda action: action.time_ns)
    return tuple(replace(action, n=n) for n, action in enumerate(ordered, start=1))


def _up(name: str, away: Sequence[tuple[float, float | None]], until_s: float) -> list[tuple[float, float]]:
    spans, here = [], 0.0
    for lost_s, back_s in away:
        if lost_s > here:
            spans.append((here, lost_s))
        here = until_s if back_s is None else back_s
    return [*spans, (here, until_s)] if here < until_s else spans


def _heard(name: str, up: Sequence[tuple[float, float]], until_ns: int) -> ControllerHealth:
    edges = [_ns(t) for span in up for t in span]
    return ControllerHealth(
        name=name,
        channel=0,
        identity=Identity(),
        frames=1,
        streams=(),
        state=ControllerState.STEADY,
        present_ns=0,
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=edges[0] if edges else None,
        last_ns=edges[-1] if edges else None,
        absences=tuple(
            (a, b) for a, b in zip([START_NS, *edges[1::2]], [*edges[0::2], until_ns], strict=True) if b > a
        ),
    )


def _codes(
    showing: Showing,
    world: World,
    up: dict[str, list[tuple[float, float]]],
    rng: np.random.Generator,
    until_s: float,
) -> tuple[FaultCode, ...]:
    on_change = bool(rng.random() < 0.7)
    debounce_s = float(rng.uniform(0.0, 1.0))
    grouped: dict[tuple[str, str], list[tuple[float, float]]] = {}
    if showing is Showing.UNEXPLAINED:
        owner = next(iter(world.machine.controllers))
        grouped[owner, "SPN 520000 FMI 4"] = _by_chance(up[owner], rng, until_s)
    if showing is Showing.RESETS:  # it sees the supply go, says so, and goes down with it
        owner = next(iter(world.machine.controllers))
        faulty = {f"fault:{fault.part}" for fault in world.faults}
        own = [one.lost_s for one in absences(world.events, until_s) if one.controller == owner and one.cause in faulty]
        grouped[owner, "SPN 520000 FMI 4"] = [(t - float(rng.uniform(1.2, 2.0)), t) for t in own]
    if showing is Showing.SUPPLY:
        sensors = [name for name in world.machine.parts if name.startswith("sensor-")]
        return tuple(
            replace(code, points_at=(sensor,))
            for sensor in sensors
            for one in world.showings[:1]
            for code in _of_supply(sensor, one.controller, world, up, on_change=on_change, debounce_s=debounce_s)
        )
    for one in world.showings:
        name = (
            f"SPN {520_000 + list(world.machine.parts).index(one.part)} FMI 4"
            if one.part in world.machine.parts
            else ""
        )
        label = name if showing is Showing.TWO_CODES else "SPN 520000 FMI 4"
        to_s = until_s if one.to_s is None else one.to_s
        grouped.setdefault((one.controller, label), []).append((one.from_s + debounce_s, to_s))
    modes = {
        (one.controller, label): _failure_mode(one.part, rng)
        for one in reversed(world.showings)
        for who, label in grouped
        if who == one.controller
    }
    found = []
    for (controller, label), spans in grouped.items():
        looks = [_looks(span, rng) for span in up[controller]]
        found += _as_broadcast(
            controller, label, spans, looks, on_change=on_change, showing=showing, fmi=modes.get((controller, label))
        )
    return tuple(found)


def _of_supply(
    sensor: str,
    controller: str,
    world: World,
    up: dict[str, list[tuple[float, float]]],
    *,
    on_change: bool,
    debounce_s: float,
) -> list[FaultCode]:
    """Give the code of one sensor of a supply that is shorted: it reads wrong whenever any of them does."""
    rng = np.random.default_rng([round(up[controller][-1][1] * 1000), len(world.showings)])
    looks = [_looks(span, rng) for span in up[controller]]
    until_s = up[controller][-1][1]
    spans = [(one.from_s + debounce_s, until_s if one.to_s is None else one.to_s) for one in world.showings]
    label = f"SPN {520_000 + list(world.machine.parts).index(sensor)} FMI 4"
    return _as_broadcast(controller, label, spans, looks, on_change=on_change, showing=Showing.SUPPLY, fmi=4)


def _failure_mode(part: str, rng: np.random.Generator) -> int | None:
    """Draw a failure mode as the rules of the trade have it, which hold more often than not: J1939-73 appendix A."""
    if part.startswith("harness"):
        return int(rng.choice([5, 4, 2, 21], p=[0.4, 0.3, 0.2, 0.1]))
    if part.startswith("sensor"):
        return int(rng.choice([4, 21, 5, 2], p=[0.45, 0.25, 0.15, 0.15]))
    return None


def _by_chance(
    up: Sequence[tuple[float, float]], rng: np.random.Generator, until_s: float
) -> list[tuple[float, float]]:
    """Let a code come of itself every few minutes, as off the map as can be."""
    spans = []
    here_s = float(rng.exponential(150.0))
    while here_s < until_s:
        end_s = here_s + float(rng.uniform(2.0, 12.0))
        stint = next((span for span in up if span[0] < here_s < span[1]), None)
        if stint is not None:
            spans.append((here_s, min(end_s, stint[1])))
        here_s = end_s + float(rng.exponential(150.0))
    return spans


def _looks(up: tuple[float, float], rng: np.random.Generator) -> list[float]:
    """When a controller broadcasts on its own: each second, the first time within a second of its start."""
    first_s = up[0] + float(rng.uniform(0.3, 1.0)) if up[0] > 0.0 else float(rng.uniform(0.0, 1.0))
    return [float(t) for t in np.arange(first_s, up[1], 1.0)]


def _as_broadcast(
    controller: str,
    label: str,
    spans: Sequence[tuple[float, float]],
    looks: Sequence[Sequence[float]],
    *,
    on_change: bool,
    showing: Showing,
    fmi: int | None,
) -> list[FaultCode]:
    """Say what a listener to the broadcasts knows of one code."""
    active: list[tuple[int, int | None]] = []
    edges: list[tuple[int | None, int]] = []
    heard = [(stint[0], stint[-1]) for stint in looks if stint]
    is_open, last_s, still_s = False, None, 0.0
    for stint in looks:
        if not stint:
            continue
        changes = [t for span in spans for t in span if stint[0] < t < stint[-1]] if on_change else []
        for at_s in sorted([*stint, *changes]):
            shows = any(a <= at_s < b for a, b in spans)
            if shows and not is_open:
                active.append((_ns(at_s), None))
                edges.append((None if last_s is None else _ns(last_s), _ns(at_s)))
            elif is_open and not shows:
                active[-1] = (active[-1][0], _ns(at_s))
                edges[-1] = (edges[-1][0], _ns(still_s))
            if shows:
                still_s = at_s
            is_open, last_s = shows, at_s
    if is_open:
        edges[-1] = (edges[-1][0], _ns(still_s))
    if not active:
        return []
    if showing is Showing.COUNTER:
        starts = tuple((a, a) for a, _ in active)
        return [
            FaultCode(
                controller=controller,
                kind=CodeKind.STATUS,
                code="Status.Retries counted up",
                text="made up",
                occurrences=len(active),
                first_ns=active[0][0],
                last_ns=active[-1][0],
                active=False,
                active_spans=starts,
                edges=starts,
                controller_count=len(active),
            )
        ]
    return [
        FaultCode(
            controller=controller,
            kind=CodeKind.STATUS if showing is Showing.STATUS else CodeKind.SPN_FMI,
            code=label,
            fmi=fmi,
            text="made up",
            occurrences=len(active),
            first_ns=active[0][0],
            last_ns=_ns(still_s),
            active=is_open,
            active_spans=tuple(active),
            edges=tuple(edges),
            heard_spans=tuple((_ns(a), _ns(b)) for a, b in heard),
        )
    ]


def _ns(t_s: float) -> int:
    return START_NS + round(t_s * NS)
