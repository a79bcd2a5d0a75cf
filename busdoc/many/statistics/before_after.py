"""Whether a change helped: dropouts an hour after it over those before, machine by machine, by an exact test."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array

__all__ = ["Change", "Stratum", "change_of"]

_FARTHEST = 25.0
"""In natural logarithms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """One machine before the change and after it."""

    n_before: int
    h_before: float
    n_after: int
    h_after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What the change did to the rate."""

    ratio: float
    """After over before, likeliest; 0 where none came after, infinite where none came before."""
    low: float
    """95 %."""
    high: float
    p: float
    """Two-sided, of no change."""
    n_before: int
    h_before: float
    n_after: int
    h_after: float
    machines: int
    """That were watched before and after; no other tells anything."""


def change_of(strata: Sequence[Stratum], *, bunching: float = 1.0, confidence: float = 0.95) -> Change | None:
    """Give the ratio of the rates; None where no machine was watched both before and after and dropped.

    Given what each machine had in all, its dropouts after the change are binomial, and their sum over the machines is a
    sum of binomials: no machine's own rate need be known, and one that was watched only after tells nothing (J.
    Przyborowski & H. Wilenski, Biometrika 31 (1940) 313-323, for one pair of counts; D. R. Cox, The Analysis of Binary
    Data, 1970, for strata). With one machine the interval is that of C. J. Clopper & E. S. Pearson (1934).

    Parameters
    ----------
    bunching : see `busdoc.many.statistics.bunching`; the interval is wider by its root
    """
    both = [one for one in strata if one.h_before > 0.0 and one.h_after > 0.0]
    telling = [one for one in both if one.n_before + one.n_after]
    if not telling:
        return None
    after = sum(one.n_after for one in telling)
    before = sum(one.n_before for one in telling)
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if not after else math.exp(_where(lambda x: _tails(telling, x, after)[1] - tail))
    high = math.inf if not before else math.exp(_where(lambda x: tail - _tails(telling, x, after)[0]))
    best = 0.0 if not after else math.inf if not before else math.exp(_where(lambda x: _mean(telling, x) - after))
    p = min(1.0, 2.0 * min(_tails(telling, 0.0, after)))
    if bunching > 1.0:
        p, low, high = _widened(p, best, low, high, math.sqrt(bunching))
    return Change(
        ratio=best,
        low=low,
        high=high,
        p=p,
        n_before=before,
        h_before=sum(one.h_before for one in both),
        n_after=after,
        h_after=sum(one.h_after for one in both),
        machines=len(both),
    )


def _shares(strata: Sequence[Stratum], log_ratio: float) -> list[tuple[int, float]]:
    """Give (dropouts in all, chance of each to be after) of each machine."""
    return [
        (
            one.n_before + one.n_after,
            1.0 / (1.0 + one.h_before / one.h_after * math.exp(-log_ratio)),
        )
        for one in strata
    ]


def _mean(strata: Sequence[Stratum], log_ratio: float) -> float:
    return sum(n * share for n, share in _shares(strata, log_ratio))


def _tails(strata: Sequence[Stratum], log_ratio: float, after: int) -> tuple[float, float]:
    """Give the chances of at most so many after the change, and of at least so many."""
    chances: Float64Array = np.ones(1)
    for n, share in _shares(strata, log_ratio):
        chances = np.convolve(chances, _binomial(n, share))
    return float(chances[: after + 1].sum()), float(chances[after:].sum())


def _binomial(n: int, share: float) -> Float64Array:
    from scipy.special import gammaln, xlog1py, xlogy

    k = np.arange(n + 1)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return np.asarray(np.exp(ways + xlogy(k, share) + xlog1py(n - k, -share)), np.float64)


def _where(rises: Callable[[float], float]) -> float:
    """Give where a function that rises is zero."""
    from scipy.optimize import brentq

    return float(brentq(rises, -_FARTHEST, _FARTHEST, xtol=1e-10))


def _widened(p: float, best: float, low: float, high: float, by: float) -> tuple[float, float, float]:
    """Take a test and an interval apart by a factor on the scale of logarithms."""
    from scipy.special import ndtr, ndtri

    p = float(2.0 * ndtr(ndtri(p / 2.0) / by))
    if 0.0 < best < math.inf:
        low = best * (low / best) ** by
        high = best * (high / best) ** by
    return p, low, high
