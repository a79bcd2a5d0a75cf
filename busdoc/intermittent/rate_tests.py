"""Exact and simulated tests on the times of a few events: intervals of a rate, trend, clustering, phase.

Times here are fractions 0 … 1 of the time that was watched: stretches without a record, or in which the controller was
away already, are cut out first. Given their number, events of a steady rate lie uniformly there, whatever the rate is
(Cox & Lewis, The Statistical Analysis of Series of Events, 1966), so every null below is free of it.
"""

import math
from functools import lru_cache

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["garwood", "greenwood", "greenwood_p", "halves_p", "halving_seen_after", "laplace_trend", "phase_p"]

_EXACT_SUM = 20
"""Up to so many uniforms their sum's distribution is worked out; beyond it is normal to three digits."""
_DRAWS = 1999
_SEED = 20_161
_MOST_DRAWN = 400
"""Events in a simulated null; more of them are thinned evenly first."""


def garwood(k: int, confidence: float = 0.95) -> tuple[float, float]:
    """Give the exact two-sided interval of a Poisson mean from k events.

    F. Garwood, Biometrika 28 (1936) 437-442.

    >>> [round(limit, 4) for limit in garwood(3)]
    [0.6187, 8.7673]
    """
    from scipy.special import gammaincinv

    tail = (1.0 - confidence) / 2.0
    low = float(gammaincinv(k, tail)) if k else 0.0
    return low, float(gammaincinv(k + 1, 1.0 - tail))


def laplace_trend(u: Float64Array) -> tuple[float, float]:
    """Test whether events come ever more, or ever less, often.

    The Laplace statistic (sum of the times against its mean under a steady rate), which is the best one against a rate
    that rises exponentially (Cox & Lewis 1966, 3.3); its null is the exact distribution of a sum of uniforms
    (Irwin-Hall) for up to twenty events.

    Parameters
    ----------
    u : (n,) times as fractions of what was watched

    Returns
    -------
    z : positive when they come more and more often, in standard deviations
    p : two-sided
    """
    n = len(u)
    if n < 2:
        return 0.0, 1.0
    total = float(u.sum())
    z = (total - n / 2.0) / math.sqrt(n / 12.0)
    if n > _EXACT_SUM:
        return z, min(1.0, math.erfc(abs(z) / math.sqrt(2.0)))
    return z, min(1.0, 2.0 * _irwin_hall(n, n / 2.0 - abs(total - n / 2.0)))


def _irwin_hall(n: int, x: float) -> float:
    """Give P(sum of n uniforms <= x), for x up to n/2, where the alternating sum keeps its digits."""
    if x <= 0.0:
        return 0.0
    terms = [(-1) ** k * math.comb(n, k) * (x - k) ** n for k in range(math.floor(x) + 1)]
    return min(1.0, max(0.0, math.fsum(terms) / math.factorial(n)))


def halves_p(first: int, second: int) -> float:
    """Give the two-sided p of two counts over equally long halves (exact, conditional: binomial with one half)."""
    from scipy.special import bdtr

    return min(1.0, 2.0 * float(bdtr(min(first, second), first + second, 0.5))) if first + second else 1.0


def greenwood(u: Float64Array) -> float:
    """Give the sum of squared spacings, the ends included (M. Greenwood, JRSS 109 (1946) 85-110)."""
    spacing = np.diff(np.concatenate((np.zeros(1), np.sort(u), np.ones(1))))
    return float((spacing**2).sum())


def greenwood_p(u: Float64Array) -> float:
    """Give the one-sided p that events of a steady rate are as clustered as these, by simulation with a fixed seed.

    Two bursts an hour apart and twenty events spread evenly have the same count; their spacings differ.
    """
    u = _thinned(u)
    n = len(u)
    if n < 2:
        return 1.0
    drawn = _null_greenwood(n)
    return float((1 + np.count_nonzero(drawn >= greenwood(u))) / (1 + len(drawn)))


@lru_cache(maxsize=64)
def _null_greenwood(n: int) -> Float64Array:
    rng = np.random.default_rng([_SEED, n])
    spacing = rng.exponential(1.0, (_DRAWS, n + 1))
    spacing /= spacing.sum(axis=1, keepdims=True)
    null: Float64Array = (spacing**2).sum(axis=1)
    return null


def _thinned(u: Float64Array) -> Float64Array:
    ordered = np.sort(u)
    keep: Int64Array = np.linspace(0, len(ordered) - 1, min(len(ordered), _MOST_DRAWN)).astype(np.int64)
    return np.asarray(ordered[keep], np.float64)


def phase_p(phase: Float64Array, null: Float64Array) -> float:
    """Give the p that events keep to one time of the day no more than what was watched does.

    The length of the mean direction (Lord Rayleigh; see Mardia & Jupp, Directional Statistics, 2000, 6.3.1), against
    draws from the hours that were really recorded.

    Parameters
    ----------
    phase : (n,) fractions of a day
    null : (m,) fractions of a day, evenly spread over what was watched
    """
    n = len(phase)
    if n < 2 or not len(null):
        return 1.0
    rng = np.random.default_rng([_SEED, 7, n])
    centre = np.exp(2j * np.pi * null).mean()  # a recording of the morning has its direction with no event at all
    strength = abs(np.exp(2j * np.pi * phase).mean() - centre)
    drawn = np.exp(2j * np.pi * null[rng.integers(len(null), size=(_DRAWS, min(n, _MOST_DRAWN)))]).mean(axis=1)
    return float((1 + np.count_nonzero(np.abs(drawn - centre) >= strength)) / (1 + _DRAWS))


def halving_seen_after(n: int, watched_s: float, *, level: float = 0.05, power: float = 0.8) -> float | None:
    """Give how long to record after a change until a rate half as high would be seen, s; None: never with so few.

    By the one-sided conditional test of two Poisson counts at `level`, with `power`; the first count is taken as the
    true one. Searched to within five per cent.
    """
    ratios = np.geomspace(0.1, 60.0, 120).tolist()
    return next((ratio * watched_s for ratio in ratios if _power_of_halving(n, ratio, level) >= power), None)


def _power_of_halving(n: int, ratio: float, level: float) -> float:
    """Give the probability that a count at half the rate, watched `ratio` times as long, is told from n."""
    from scipy.special import bdtr, pdtr

    most = np.arange(int(n * ratio) + 1)  # a later count of at most this many is what a lower rate looks like
    p = bdtr(most, most + n, ratio / (1.0 + ratio))
    told = np.flatnonzero(p <= level)
    return float(pdtr(int(most[told[-1]]), 0.5 * n * ratio)) if len(told) else 0.0
