"""What chance makes of values before dropouts: how often the record itself shows as much with the dropouts elsewhere.

Under chance the dropouts, kept as far apart from one another as they are, lie anywhere along the record (circular
shifts). Values that drift keep drifting then, and dropouts that come in bursts keep doing so. All shifts together tell
how many independent dropouts there are as far as one value is concerned: the variance of a count over all shifts,
against that of as many independent draws. Exact binomial tails go by that number, which a count over the shifts
themselves, of which there are too few to reach small probabilities, holds in check.
"""

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least

__all__ = [
    "TAILS",
    "WEIGHTS",
    "by_spells",
    "combine",
    "effective",
    "from_shifts",
    "guard_places",
    "rank_p",
    "shifted_sums",
]

TAILS = (0.5, 0.33, 0.2, 0.12, 0.06, 0.03, 0.01, 0.003, 0.001)
"""Shares of the record that lie beyond the thresholds that are tried."""
WEIGHTS = (1.0, 0.5, 1.5, 1.5, 1.5, 1.5, 1.0, 0.5, 0.5, 0.5)
"""Of the rank test, then of each of `TAILS`: what lies far out needs no help, since its p is tiny when it is real."""
_CLIP = 0.9
_LEAST_EFFECTIVE = 2.0


def shifted_sums(values: Float64Array, at: Int64Array) -> Float64Array:
    """(m,) Add the values at the dropouts' places, for every shift of the dropouts around the record.

    Parameters
    ----------
    values : (m,) one for each usable place
    at : (n,) the last place up to each dropout
    """
    return _around(values, np.bincount(at, minlength=len(values)).astype(np.float64))


def _around(values: Float64Array, weights: Float64Array) -> Float64Array:
    """(m,) For every shift, the sum of values times weights, around the record.

    Transforms of a length with a large prime factor take ten times as long, so the record is laid on a longer, smooth
    one, and what runs over its end is folded back.
    """
    from scipy.fft import irfft, next_fast_len, rfft  # 0.1 s

    m = len(values)
    length = next_fast_len(2 * m, real=True)
    product = irfft(rfft(values, length) * np.conj(rfft(weights, length)), length)
    folded = product[:m].copy()
    folded[1:] += product[length - m + 1 :]
    return np.asarray(folded, np.float64)


def effective(sums: Float64Array, n: int, variance: float) -> float:
    """Give how many independent draws the dropouts amount to, n at most."""
    if variance <= 0.0 or n == 0:
        return float(n)
    return n / max(1.0, float(sums.var()) / (n * variance))


def rank_p(ahead: float, n_effective: float) -> float:
    """Give the probability by chance of ranks that are as far ahead in the mean.

    The rank test of Mann & Whitney (Annals of Mathematical Statistics 18 (1947) 50-60) against many places. Ties leave
    the ranks less variance than is taken here, so then the p is too large, if anything.

    Parameters
    ----------
    ahead : -0.5 … 0.5: mean rank less that of all places, positive in the direction that is asked about
    n_effective : independent dropouts
    """
    from scipy.special import ndtr

    return float(ndtr(-ahead * np.sqrt(12.0 * n_effective))) if n_effective >= _LEAST_EFFECTIVE else 1.0


def by_spells(is_beyond: BoolArray, at: Int64Array, guard: int) -> float:
    """Give the probability of as many spells of dropouts with one beyond a threshold, each spell counted once.

    Where a value is seldom beyond, one excursion that meets a burst of dropouts is one coincidence, however many of
    them it meets. Dropouts no further apart than the value remembers are one spell; by chance it has one beyond at as
    large a share of the places as its dropouts together would find one (Hoeffding's bound, as for events).

    Parameters
    ----------
    is_beyond : (m,) at each place
    at : (n,) the last place up to each dropout
    guard : places after which the value has forgotten itself
    """
    spells = np.split(at, 1 + np.flatnonzero(np.diff(at) > guard))
    beyond = np.flatnonzero(is_beyond)
    n_hit = sum(bool(is_beyond[spell].any()) for spell in spells)
    # The places at which each spell, as long as it is, would meet one.
    meeting = [np.unique((beyond[:, None] - np.unique(spell - spell[0])) % len(is_beyond)) for spell in spells]
    share = float(np.mean([len(places) for places in meeting])) / len(is_beyond)
    return float(at_least(n_hit, len(spells), share))


def from_shifts(sums: Float64Array, reached: float, guard: int) -> float:
    """Give the share of shifts, beyond a guard to either side, that add up to as much as is seen; 0: none does."""
    far = sums[guard : len(sums) - guard] if len(sums) > 4 * guard else sums[len(sums) // 4 : -(len(sums) // 4)]
    return float(np.mean(far >= reached - 1e-6)) if len(far) else 1.0


def guard_places(values: Float64Array, least: int) -> int:
    """Give how many places a value needs to forget itself: until its autocorrelation falls below a fifth."""
    centred = values - values.mean()
    autocovariance = _around(centred, centred)
    half = autocovariance[: len(values) // 2 + 1]
    below = np.flatnonzero(half < 0.2 * half[0]) if half[0] > 0.0 else np.zeros(1, np.int64)
    return max(least, int(below[0]) if len(below) else len(half))


def combine(p: Float64Array, weights: Float64Array | None = None) -> float:
    """Combine p-values of tests that depend on one another in unknown ways into one.

    Y. Liu & J. Xie, Journal of the American Statistical Association 115 (2020) 393-402 (the Cauchy combination): for
    small p, tests that all say the same pay nothing for their number, unrelated ones as by Bonferroni.

    Parameters
    ----------
    weights : (n,) how much of what all pay together each may use, set without a look at the data; None: the same each

    >>> round(combine(np.array([0.01, 0.01])), 6), round(combine(np.array([1e-6, 0.5])), 9)
    (0.01, 2e-06)
    """
    if not len(p):
        return 1.0
    small = np.minimum(np.maximum(p, 1e-300), _CLIP)
    with np.errstate(divide="ignore", over="ignore"):
        heights = np.where(small < 1e-8, 1.0 / (np.pi * small), np.tan((0.5 - small) * np.pi))
    height = float(np.average(heights, weights=weights))
    return 1.0 / (np.pi * height) if height > 1e8 else 0.5 - float(np.arctan(height)) / np.pi
