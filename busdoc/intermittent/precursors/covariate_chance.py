"""What chance makes of values before dropouts: how often the record itself shows as much with the dropouts elsewhere.

Under chance the dropouts, kept as far apart from one another as they are, lie anywhere along the record (circular
shifts). Values that drift keep drifting then, and dropouts that come in bursts keep doing so. All shifts together tell
how many independent dropouts there are as far as one value is concerned: the variance of a count over all shifts,
against that of as many independent draws. Exact binomial tails go by that number.
"""

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = [
    "TAILS",
    "WEIGHTS",
    "combine",
    "effective",
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

    Transforms of a length with a large prime factor take ten times as long, so the record is laid on a longer, smooth
    one, and what runs over its end is folded back.

    Parameters
    ----------
    values : (m,) one for each usable place
    at : (n,) the last place up to each dropout
    """
    from scipy.fft import irfft, next_fast_len, rfft  # 0.1 s

    m = len(values)
    length = next_fast_len(2 * m, real=True)
    dropouts = np.bincount(at, minlength=m).astype(np.float64)
    product = irfft(rfft(values, length) * np.conj(rfft(dropouts, length)), length)
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
