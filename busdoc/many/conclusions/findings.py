"""What only many captures can tell, of each kind of machine: who is worse than its fellows, what is to be believed.

All that is ranked, machines, their controllers and the parts of the kind, over all kinds, shares one correction: of
what is called worse than its fellows, at most a twentieth is not, on average.
"""

from dataclasses import dataclass

from busdoc.many.conclusions.counts import Problem
from busdoc.many.statistics.before_after import Change
from busdoc.many.statistics.power_law import Trend
from busdoc.many.statistics.ranking import FOUND_AT
from busdoc.many.statistics.rates import Rate
from busdoc.many.statistics.regression import Effects
from busdoc.many.statistics.together import FellTogether

__all__ = ["AHEAD_H", "Findings", "KindFindings", "MachineFindings", "Ranked"]

AHEAD_H = 40.0
"""The hours ahead that are foretold: a week of work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """A machine, a controller of a machine, or a part of the kind, among its fellows."""

    machine: str = ""
    """Empty: of the kind."""
    name: str = ""
    """The controller or part; empty: the machine itself."""
    what: str = ""
    """Kind of the part."""
    rate: Rate
    believed: float
    """An hour, given its fellows."""
    low: float
    """95 %, of what is believed."""
    high: float
    times: float
    """How many times what is typical for its fellows it is believed to be."""
    p: float
    q: float = 1.0
    """p, corrected for all that is ranked."""
    machines: int = 0
    """Of a part of the kind: on how many machines it dropped."""
    fellows: int = 0
    """How many it was compared with; 0: with none, so it is neither better nor worse."""

    @property
    def worse(self) -> bool:
        """Whether it is called worse than its fellows."""
        return self.q <= FOUND_AT


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFindings:
    """One machine."""

    ranked: Ranked
    n_captures: int
    n_trouble: int
    n_could_not: int
    expected: tuple[int, int] | None
    """Dropouts in `AHEAD_H` more hours, 95 %; None: nothing was watched of it, or of its fellows."""
    controllers: tuple[Ranked, ...]
    """The most frequent first."""
    parts: tuple[tuple[str, str, int], ...]
    """(part, its kind, dropouts that speak of it), the most frequent first."""
    trend: Trend | None
    healthy: tuple[int, ...]
    """Numbers of captures in which nothing was wrong, a few."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KindFindings:
    """One kind of machine."""

    name: str
    """Empty: nobody says of what kind these machines are; they are listed, and not compared with one another."""
    rate: Rate
    typical: tuple[float, float, float] | None
    """(mean rate of its machines an hour, lower, upper limit), which knows that they differ; None: too little."""
    spread: float
    """Standard deviation of the machines' rates over their mean."""
    bunching: float
    machines: tuple[MachineFindings, ...]
    """The worst first, as believed; by name where they are not compared."""
    controllers: tuple[Ranked, ...]
    """Of the kind."""
    parts: tuple[Ranked, ...]
    part_kinds: tuple[tuple[str, int, Rate], ...]
    """(kind of part, how many a machine has, rate of one)."""
    trend: Trend | None
    by_meter: bool
    """Ages are of the hour meter; else hours since the first capture of each machine."""
    change: Change | None
    unchanged: Change | None
    """The same on machines that were not changed, before and after the median day on which others were."""
    effects: Effects | None
    together: tuple[tuple[FellTogether, str | None], ...]
    """Who fell at once, and what they all hang on by the map; None: they are on no map, empty: on nothing."""
    months: tuple[tuple[str, Rate], ...]
    """(month, rate), ascending."""
    n_idle: int
    """What was ranked beside all this and never dropped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """The whole fleet."""

    kinds: tuple[KindFindings, ...]
    problems: tuple[Problem, ...]
    n_captures: int
    n_judged: int
    n_ranked: int
    """How much was ranked, which every q pays for."""
    changed: str = ""
    """The day before and after which rates are compared, where one was given for all."""

    @property
    def inspect(self) -> tuple[tuple[KindFindings, MachineFindings], ...]:
        """What is worse than its fellows, in itself or in one of its controllers, the worst first."""
        found = [
            (kind, machine)
            for kind in self.kinds
            for machine in kind.machines
            if machine.ranked.worse or any(one.worse for one in machine.controllers)
        ]
        return tuple(sorted(found, key=lambda pair: -pair[1].ranked.believed))

    @property
    def counted(self) -> tuple[KindFindings, ...]:
        """Kinds with at least one capture that counts."""
        return tuple(kind for kind in self.kinds if any(one.n_captures for one in kind.machines))

    @property
    def n_machines(self) -> int:
        """All of them."""
        return sum(len(kind.machines) for kind in self.kinds)

    @property
    def n_compared(self) -> int:
        """Machines that were compared with others of their kind."""
        return sum(machine.ranked.fellows > 0 for kind in self.kinds for machine in kind.machines)

    @property
    def n_of_no_kind(self) -> int:
        """Machines of which nobody says of what kind they are."""
        return sum(len(kind.machines) for kind in self.kinds if not kind.name)

    @property
    def hours(self) -> float:
        """Watched in all."""
        return sum(kind.rate.hours for kind in self.kinds)
