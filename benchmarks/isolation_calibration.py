"""Are the isolation engine's probabilities true? Hundreds of simulated sessions with known faults say so.

Run ``python -m benchmarks.isolation_calibration [first seed] [sessions of each kind]`` from the project's root. The
engine's constants were settled on seeds below 1400000; measure on others, and not on those from 1410000, 1450000,
1510000, 1550000, 1610000 and 1650000 (110 of each), which the stated figures are from.
"""

import sys
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from benchmarks.isolation_sessions import NS, Session, SessionKind, live_through
from busdoc.actions.action import ActionKind
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import ELSEWHERE, Because, IsolationVerdict
from busdoc.machine.machine import PartKind
from busdoc.simulation.technician import CAREFUL, Habits

__all__ = [
    "BINS",
    "HELD_OUT",
    "SLIPS",
    "Judged",
    "attributed_rightly",
    "bin_table",
    "holds_up",
    "judge",
    "judge_all",
    "judge_slips",
    "print_bins",
    "suffices",
]

BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)
HELD_OUT = 1_410_000
"""First of the seeds that no constant was settled on."""
SLIPS = ("wrong press", "missing press", "doubled press", "clock 3 s ahead", "clock 3 s behind")
"""What can be wrong with a journal: one plug or unplug that names another branch, is missing, or is there twice."""


def slip(session: Session, what: str, seed: int) -> Session:
    """Spoil a session's journal in one of the ways of `SLIPS`; what was seen on the bus stays as it was."""
    rng = np.random.default_rng([seed, SLIPS.index(what)])
    actions = list(session.actions)
    if what.startswith("clock"):
        offset_ns = 3 * NS if what.endswith("ahead") else -3 * NS
        return replace(session, actions=tuple(replace(a, time_ns=a.time_ns + offset_ns) for a in actions))
    moves = [k for k, a in enumerate(actions) if a.kind in (ActionKind.PLUG, ActionKind.UNPLUG)]
    if not moves:
        return session
    k = moves[int(rng.integers(len(moves)))]
    if what == "missing press":
        del actions[k]
    elif what == "doubled press":
        again_ns = actions[k].time_ns + round(float(rng.uniform(0.2, 0.8)) * NS)
        actions.insert(k + 1, replace(actions[k], n=len(actions) + 1, time_ns=again_ns))
    else:
        parts = session.machine.parts
        meant = parts[actions[k].part or ""]
        others = [name for name, part in parts.items() if part.kind is meant.kind and name != meant.name]
        actions[k] = replace(actions[k], part=others[int(rng.integers(len(others)))])
    return replace(session, actions=tuple(actions))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """One session with what the engine said of it."""

    session: Session
    verdict: IsolationVerdict
    because: tuple[Because, ...]

    @property
    def guilty(self) -> frozenset[str]:
        return frozenset(self.session.faulty) or frozenset({ELSEWHERE})

    @property
    def on_top(self) -> str:
        return self.verdict.suspects[0].part

    @property
    def worst_innocent(self) -> float:
        """Highest probability of a part that is sound."""
        return max(
            (s.probability for s in self.verdict.suspects if s.part not in self.guilty and s.part != ELSEWHERE),
            default=0.0,
        )

    @property
    def log_score(self) -> float:
        """Mean logarithm of what the faulty parts were given."""
        given = {s.part: s.probability for s in self.verdict.suspects}
        return float(np.mean([np.log(max(given.get(part, 0.0), 1e-9)) for part in self.guilty]))

    def in_top(self, n: int) -> bool:
        """Whether a faulty part is among the first n, parts of equal probability sharing their rank."""
        ranked = [s.probability for s in self.verdict.suspects]
        best = max(s.probability for s in self.verdict.suspects if s.part in self.guilty)
        return sum(p > best + 1e-6 for p in ranked) < n


def judge(session: Session) -> Judged:
    """Let the engine work on a session as on a recording."""
    because = attribute(session.health, session.actions, session.machine)
    return Judged(
        session=session, because=because, verdict=isolate(session.health, session.actions, session.machine, because)
    )


def judge_all(
    seeds: Iterable[int], kinds: Iterable[SessionKind] = tuple(SessionKind), *, habits: Habits = CAREFUL
) -> list[Judged]:
    """Judge sessions of all kinds; one in which nothing happened that could be judged is left out."""
    judged: list[Judged] = []
    for kind in kinds:
        for seed in seeds:
            one = judge(live_through(kind, seed, habits=habits))
            if one.verdict.suspects:
                judged.append(one)
    return judged


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """One row of the calibration table."""

    low: float
    high: float
    n: int
    said: float
    true: float
    exact: tuple[float, float]
    """Clopper-Pearson interval of the true frequency."""

    @property
    def holds(self) -> bool:
        """The truth within five points of what was said, or what was said within the exact interval."""
        return not self.n or abs(self.said - self.true) <= 0.05 or self.exact[0] <= self.said <= self.exact[1]


def bin_table(judged: Sequence[Judged], level: float = 0.95) -> tuple[Bin, ...]:
    """Compare what was said of every part, and of 'elsewhere', with the truth; `level` is that of the intervals."""
    from scipy.stats import binomtest

    said = np.array([s.probability for j in judged for s in j.verdict.suspects])
    true = np.array([s.part in j.guilty for j in judged for s in j.verdict.suspects])
    rows: list[Bin] = []
    for low, high in pairwise(BINS):
        here = (said >= low) & ((said < high) | (high == 1.0))
        n = int(here.sum())
        if not n:
            rows.append(Bin(low=low, high=high, n=0, said=0.0, true=0.0, exact=(0.0, 1.0)))
            continue
        interval = binomtest(int(true[here].sum()), n).proportion_ci(level)
        rows.append(
            Bin(
                low=low,
                high=high,
                n=n,
                said=float(said[here].mean()),
                true=float(true[here].mean()),
                exact=(float(interval.low), float(interval.high)),
            )
        )
    return tuple(rows)


def suffices(session: Session) -> bool:
    """Whether the truth says that the record singles the faulty part out.

    A single fault of a branch: every other part of the controller was off the machine at one of the dropouts, or was
    exposed with the faulty one out for as long as the fault needs to show with 95 %; and the controller itself was
    quiet as long without the faulty part. A feed or segment: no other one carries the same controllers of those that
    fell. Anything else is not judged.
    """
    if len(session.faults) != 1:
        return False
    part = session.faults[0].part
    known = session.machine.parts.get(part)
    if known is None:
        return False
    if known.kind in (PartKind.FEED, PartKind.SEGMENT):
        return _group_singled_out(session, part)
    rate = min(session.faults[0].rate_hz, 0.66)
    needs_s = 3.0 / rate
    controller = next(iter(session.machine.controllers))
    falls = _falls_s(session)
    if not falls:
        return False
    others = [p for p in session.machine.parts if session.machine.home(p) == controller and p != part]
    quiet = dict.fromkeys((*others, controller), 0.0)
    absent = dict.fromkeys(others, False)
    for (from_s, exposed), to_s in zip(session.exposures, _edges_s(session), strict=True):
        up_s = max(0.0, to_s - from_s) - _away_s(session, controller, from_s, to_s)
        if part not in exposed and from_s > session.faults[0].from_s:
            quiet[controller] += up_s
            for other in others:
                quiet[other] += up_s if other in exposed else 0.0
        if any(from_s <= t < to_s for t in falls):
            for other in others:
                absent[other] |= other not in exposed
    return quiet[controller] >= needs_s and all(absent[other] or quiet[other] >= needs_s for other in others)


def _edges_s(session: Session) -> list[float]:
    """When each stretch of `exposures` ended."""
    return [*[t for t, _ in session.exposures[1:]], (session.until_ns - session.health.start_ns) / NS]


def _falls_s(session: Session) -> list[float]:
    """When the first controller fell and no action explains it."""
    controller = next(iter(session.machine.controllers))
    return [
        (loss.last_seen_ns - session.health.start_ns) / NS
        for incident, expected in zip(session.health.incidents, session.expected, strict=True)
        if not expected
        for loss in incident.losses
        if loss.controller == controller
    ]


def _away_s(session: Session, controller: str, from_s: float, to_s: float) -> float:
    away = 0.0
    for incident in session.health.incidents:
        for loss in incident.losses:
            if loss.controller == controller:
                gone = (loss.last_seen_ns - session.health.start_ns) / NS
                back = to_s if loss.back_ns is None else (loss.back_ns - session.health.start_ns) / NS
                away += max(0.0, min(back, to_s) - max(gone, from_s))
    return away


def _group_singled_out(session: Session, part: str) -> bool:
    machine = session.machine
    of_kind = [p for p, known in machine.parts.items() if known.kind in (PartKind.FEED, PartKind.SEGMENT)]
    carried = {p: frozenset(machine.controllers_below(p)) for p in of_kind}
    alike = [p for p in of_kind if carried[p] == carried[part]]
    shown = any(
        not expected and len(incident.losses) > 1
        for incident, expected in zip(session.health.incidents, session.expected, strict=True)
    )
    return shown and len(alike) == 1


def print_bins(judged: Sequence[Judged]) -> None:
    """Print what was said against what was true, and how often a sound part was accused."""
    print(f"{len(judged)} sessions")
    print("    said      n  mean said   true   exact 95 %      holds")
    for row in bin_table(judged):
        bounds = f"{row.exact[0]:.3f} … {row.exact[1]:.3f}"
        print(f"{row.low:4.0%}–{row.high:4.0%} {row.n:6d} {row.said:9.3f} {row.true:8.3f}   {bounds}   {row.holds}")
    accused = sum(j.worst_innocent >= 0.8 for j in judged)
    print(f"an innocent part at 80 % or more: {accused} sessions ({accused / len(judged):.2%})")


def _print_calibration(judged: Sequence[Judged]) -> None:
    print_bins(judged)
    by_kind: dict[SessionKind, list[Judged]] = defaultdict(list)
    for one in judged:
        by_kind[one.session.kind].append(one)
    print("kind                     n  log score  a culprit first  (where the record suffices)")
    for kind, some in by_kind.items():
        enough = [j for j in some if suffices(j.session)]
        first = np.mean([j.in_top(1) for j in some])
        told = f"{sum(j.on_top in j.guilty for j in enough)} of {len(enough)}" if enough else "-"
        print(f"{kind.value:20s} {len(some):5d} {np.mean([j.log_score for j in some]):9.3f} {first:12.1%}     {told}")
    enough = [j for j in judged if suffices(j.session)]
    if enough:
        first = np.mean([j.on_top in j.guilty for j in enough])
        print(f"the culprit first where the record suffices: {first:.1%} of {len(enough)}")
    two = [j for j in judged if j.session.kind is SessionKind.TWO_FAULTS and both_shown(j.session)]
    if two:
        both = [set(branches_on_top(j)) == {_branch_of(part) for part in j.session.faulty} for j in two]
        print(f"two faults, each shown without the other: both branches on top in {sum(both)} of {len(two)}")


def _branch_of(part: str) -> str:
    return part.replace("sensor", "harness")


def both_shown(session: Session) -> bool:
    """Whether each of two faults made a dropout while the other one was off the machine."""
    falls = _falls_s(session)
    seen: set[str] = set()
    for (from_s, exposed), to_s in zip(session.exposures, _edges_s(session), strict=True):
        if any(from_s <= t < to_s for t in falls):
            bad = exposed & set(session.faulty)
            seen |= bad if len(bad) == 1 else set()
    return seen == set(session.faulty)


def branches_on_top(judged: Judged) -> tuple[str, ...]:
    """Name the two branches that are likeliest, harness and sensor taken together: they were plugged together."""
    mass: dict[str, float] = defaultdict(float)
    for one in judged.verdict.suspects:
        if one.part.startswith(("harness", "sensor")):
            mass[_branch_of(one.part)] += one.probability
    return tuple(sorted(mass, key=lambda branch: -mass[branch])[:2])


def attributed_rightly(judged: Sequence[Judged]) -> dict[str, list[bool]]:
    """Say of each incident, by what it truly answers to, whether its action was named."""
    right: dict[str, list[bool]] = defaultdict(list)
    for one in judged:
        for said, answer, expected in zip(one.because, one.session.answers, one.session.expected, strict=True):
            name = "expected" if expected else "revealing" if answer is not None else "none"
            right[name].append(said.action == answer and said.expected == expected)
    return right


def _print_attribution(judged: Sequence[Judged]) -> None:
    for name, right in attributed_rightly(judged).items():
        print(f"attribution, {name}: right in {np.mean(right):.1%} of {len(right)} incidents")


def judge_slips(seeds: Iterable[int], what: str) -> list[Judged]:
    """Judge sessions with a spoilt journal, of those whose record suffices to tell."""
    kinds = (SessionKind.HARD_BRANCH, SessionKind.INTERMITTENT_BRANCH, SessionKind.FEED, SessionKind.SEGMENT)
    sessions = [(live_through(kind, seed, broken_off=False), seed) for kind in kinds for seed in seeds]
    return [judge(slip(session, what, seed)) for session, seed in sessions if suffices(session)]


def holds_up(one: Judged) -> bool:
    """Whether a faulty part is in the top two and no innocent one above 90 %."""
    return one.in_top(2) and one.worst_innocent <= 0.9


def _print_slips(seeds: range) -> None:
    print("slip                   n  in the top two  innocent above 90 %  both hold")
    for what in SLIPS:
        some = judge_slips(seeds, what)
        top, accused = np.mean([j.in_top(2) for j in some]), sum(j.worst_innocent > 0.9 for j in some)
        print(f"{what:18s} {len(some):5d} {top:15.1%} {accused:20d} {np.mean([holds_up(j) for j in some]):10.1%}")


def main(first_seed: int = HELD_OUT, n: int = 100) -> None:
    """Print the tables."""
    judged = judge_all(range(first_seed, first_seed + n))
    _print_calibration(judged)
    _print_attribution(judged)
    _print_slips(range(first_seed, first_seed + max(n // 2, 1)))


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
