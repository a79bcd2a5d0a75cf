"""Which controllers of a kind of machine drop in the same moment, over all its machines."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

__all__ = ["FellTogether", "fell_together"]

_MOMENT_S = 2.0
"""Losses so near count as one incident, nearly (a deadline of the slowest heartbeat; common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FellTogether:
    """Two controllers that fell at once."""

    controllers: tuple[str, str]
    n: int
    """Dropouts of both."""
    of: tuple[int, int]
    """Dropouts of each."""
    by_chance: float
    """How many of both were to be expected, had each dropped by itself."""
    p: float
    """Of as many by chance."""
    machines: int
    """On how many machines."""


def fell_together(
    dropouts: Iterable[tuple[str, Sequence[str]]], hours: Mapping[str, float]
) -> tuple[FellTogether, ...]:
    """Give every two controllers that ever fell at once, the most frequent first.

    Parameters
    ----------
    dropouts : (machine, who fell) of each
    hours : machine -> hours watched
    """
    from scipy.special import gammainc

    single: Counter[tuple[str, str]] = Counter()
    both: Counter[tuple[str, str, str]] = Counter()
    for machine, who in dropouts:
        names = sorted(set(who))
        single.update((machine, name) for name in names)
        both.update((machine, a, b) for a, b in combinations(names, 2))
    found = []
    for a, b in sorted({(a, b) for _, a, b in both}):
        machines = [machine for machine, x, y in both if (x, y) == (a, b)]
        n = sum(both[machine, a, b] for machine in machines)
        chance = sum(
            single[machine, a] * single[machine, b] * 2.0 * _MOMENT_S / 3600.0 / watched
            for machine, watched in hours.items()
            if watched > 0.0
        )
        found.append(
            FellTogether(
                controllers=(a, b),
                n=n,
                of=(_total(single, a), _total(single, b)),
                by_chance=chance,
                p=float(gammainc(n, chance)) if chance > 0.0 else 0.0,
                machines=len(machines),
            )
        )
    return tuple(sorted(found, key=lambda one: (-one.n, one.controllers)))


def _total(single: Mapping[tuple[str, str], int], name: str) -> int:
    return sum(n for (_, who), n in single.items() if who == name)
