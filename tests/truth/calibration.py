"""What the isolation engine says of simulated sessions, held against the truth in bins of probability."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np

from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import ELSEWHERE, Because, IsolationVerdict
from busdoc.simulation.technician import CAREFUL, Habits
from tests.truth.isolation_sessions import Session, SessionKind, live_through

__all__ = ["BINS", "Bin", "Judged", "attributed_rightly", "bin_table", "judge", "judge_all"]

BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)


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

    @property
    def score(self) -> float:
        """Sum of the logarithms of what was said of each suspect: that it is at fault, or that it is not.

        A proper score: Gneiting and Raftery, Journal of the American Statistical Association 102, 2007. What was said
        is taken for no less than one in a million, so that one sure error does not outweigh everything.
        """
        said = np.array([s.probability for s in self.verdict.suspects])
        true = np.array([s.part in self.guilty for s in self.verdict.suspects])
        return float(np.log(np.maximum(np.where(true, said, 1.0 - said), 1e-6)).sum())

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


class Stated(Protocol):
    """Whatever was said of suspects, with what is true."""

    @property
    def verdict(self) -> IsolationVerdict: ...

    @property
    def guilty(self) -> frozenset[str]: ...


def bin_table(judged: Sequence[Stated], level: float = 0.95) -> tuple[Bin, ...]:
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


def attributed_rightly(judged: Sequence[Judged]) -> dict[str, list[bool]]:
    """Say of each incident, by what it truly answers to, whether its action was named."""
    right: dict[str, list[bool]] = defaultdict(list)
    for one in judged:
        for said, answer, expected in zip(one.because, one.session.answers, one.session.expected, strict=True):
            name = "expected" if expected else "revealing" if answer is not None else "none"
            right[name].append(said.action == answer and said.expected == expected)
    return right
