"""Which controllers of a kind of machine drop in the same moment, over all its machines."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from busdoc.arrays import BoolArray, Float64Array

__all__ = ["FellTogether", "fell_together"]

_MOMENT_S = 2.0
"""Losses so near count as one incident, nearly (a deadline of the slowest heartbeat; common practice)."""
_SHOWN = 0.05
"""Corrected for all groups that were looked at."""
_LEAST = 2
"""Times; once is no pattern."""
_MOST_SETS = 40
"""Sets of controllers that are looked at, the most frequent ones: the work grows with their square."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FellTogether:
    """Controllers that fell at once."""

    controllers: tuple[str, ...]
    """Two or more, ascending."""
    n: int
    """Dropouts of all of them."""
    of: tuple[int, ...]
    """Dropouts of each."""
    by_chance: float
    """How many of all were to be expected, were the group two that drop each by itself; of the likeliest such two."""
    p: float
    """Of as many by chance."""
    machines: int
    """On how many machines."""


def fell_together(
    falls: Mapping[str, Mapping[tuple[str, ...], int]], hours: Mapping[str, float]
) -> tuple[FellTogether, ...]:
    """Give the groups of controllers that fall at once more often than by chance, the most frequent first.

    A group is a set that fell at once, or what two such sets have in common. It is told where no parting of it in two
    that drop each by itself accounts for how often all of it fell. Within a larger group that is told, a smaller one is
    told where it also fell without the rest.

    Parameters
    ----------
    falls : machine -> who fell at once, one alone included -> how often
    hours : machine -> hours watched

    Notes
    -----
    Two that drop independently, n and m times in T hours, meet within a moment some 2 n m moment / T times (accidental
    coincidences of two counters; common practice); p is the chance of as many or more, by Poisson's law. It is
    corrected for all groups that are looked at (Bonferroni).
    """
    counts = _Counts(falls, hours)
    sets = _looked_at(counts)
    found = [one for one in (_judged(group, sets, counts) for group in sets) if one.n >= _LEAST]
    told: list[FellTogether] = []
    for one in sorted(found, key=lambda one: (-len(one.controllers), -one.n, one.controllers)):
        larger = [other.controllers for other in told if set(one.controllers) < set(other.controllers)]
        if one.p <= _SHOWN / len(sets) and counts.times(one.controllers, but=larger).sum() >= _LEAST:
            told.append(one)
    return tuple(sorted(told, key=lambda one: (-one.n, one.controllers)))


class _Counts:
    """Who fell at once, as rows; and how often that was."""

    def __init__(self, falls: Mapping[str, Mapping[tuple[str, ...], int]], hours: Mapping[str, float]) -> None:
        rows = [(k, who, n) for k, of_machine in enumerate(falls.values()) for who, n in of_machine.items()]
        self.sets = sorted({tuple(sorted(set(who))) for _, who, _ in rows if len(set(who)) > 1})
        names = sorted({name for _, who, _ in rows for name in who})
        self._column = {name: k for k, name in enumerate(names)}
        self._fell = np.zeros((len(rows), len(names)), np.bool_)
        for row, (_, who, _) in enumerate(rows):
            self._fell[row, [self._column[name] for name in who]] = True
        self._n = np.array([n for _, _, n in rows], np.float64)
        self._machine = np.array([k for k, _, _ in rows], np.int64)
        self._n_machines = len(falls)
        self.hours = np.array([hours.get(machine, 0.0) for machine in falls], np.float64)
        """(machines,)"""

    def times(self, who: Sequence[str], but: Sequence[Sequence[str]] = ()) -> Float64Array:
        """(machines,) Count the dropouts of all of them, but those of all of a larger group."""
        rows = self._all_of(who)
        for larger in but:
            rows &= ~self._all_of(larger)
        n = np.bincount(self._machine[rows], weights=self._n[rows], minlength=self._n_machines)
        return n.astype(np.float64)

    def _all_of(self, who: Sequence[str]) -> BoolArray:
        return np.asarray(self._fell[:, [self._column[name] for name in who]].all(axis=1), np.bool_)


def _looked_at(counts: _Counts) -> list[tuple[str, ...]]:
    """Give the most frequent sets that fell at once, and what any two of them have in common."""

    def most(sets: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
        return sorted(sets, key=lambda who: (-float(counts.times(who).sum()), who))[:_MOST_SETS]

    often = most(counts.sets)
    common = {tuple(sorted(set(a) & set(b))) for a, b in combinations(often, 2)}
    return most(sorted({*often, *(who for who in common if len(who) > 1)}))


def _judged(group: tuple[str, ...], sets: Sequence[tuple[str, ...]], counts: _Counts) -> FellTogether:
    from scipy.special import gammainc

    of_all = counts.times(group)
    n, watched = int(of_all.sum()), counts.hours > 0.0
    meets = 2.0 * _MOMENT_S / 3600.0 / counts.hours[watched]
    chance = max(
        float((counts.times(a)[watched] * counts.times(b)[watched] * meets).sum()) for a, b in _partings(group, sets)
    )
    return FellTogether(
        controllers=group,
        n=n,
        of=tuple(int(counts.times((name,)).sum()) for name in group),
        by_chance=chance,
        p=float(gammainc(n, chance)) if chance > 0.0 else 0.0,
        machines=int((of_all > 0.0).sum()),
    )


def _partings(
    group: tuple[str, ...], sets: Sequence[tuple[str, ...]]
) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Yield the ways to part a group in two: one of it alone, or several of it that are looked at as well."""
    for part in [*((name,) for name in group), *(one for one in sets if set(one) < set(group))]:
        yield part, tuple(name for name in group if name not in part)
