"""The binomial distribution as it is used on counts of dropouts: its tail, and the interval of a share.

scipy.stats has both, and takes 0.6 s to import; these are the same functions of scipy.special underneath.
"""

from functools import lru_cache

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["at_least", "binomial_interval", "greatest_attained"]


def at_least(
    k: Int64Array | Float64Array | float, n: Int64Array | Float64Array | float, share: Float64Array | float
) -> Float64Array:
    """Give the probability of at least k of n trials that each succeed with a probability `share`.

    Where the trials' probabilities differ and `share` is their mean, this is no smaller than the true one from
    n * share + 1 on (W. Hoeffding, Annals of Mathematical Statistics 27 (1956) 713-721). Neither k nor n need be whole.

    Parameters
    ----------
    k, n, share : of one shape, or of shapes that fit together

    >>> float(at_least(3, 10, 0.0)), float(at_least(0, 10, 0.0)), round(float(at_least(8, 10, 0.5)), 7)
    (0.0, 1.0, 0.0546875)
    """
    from scipy.special import betainc

    k, n = np.asarray(k, np.float64), np.asarray(n, np.float64)
    tail = betainc(np.maximum(k, 1e-300), np.maximum(n - k + 1.0, 1e-300), share)
    return np.asarray(np.where(k <= 0.0, 1.0, np.where(k >= n + 1.0, 0.0, tail)), np.float64)


def greatest_attained(n: Int64Array, share: Float64Array, at_most: Float64Array) -> Float64Array:
    """Give the greatest of the p-values of `at_least` that is no more than wanted: how often there is one so small.

    Counts are whole numbers, so a test reaches few p-values; the next smaller one is the chance that it stays below.

    Parameters
    ----------
    n, share, at_most : of one shape, or of shapes that fit together

    >>> greatest_attained(np.array(3), np.array(0.1), np.array(0.02)).round(6).tolist()
    0.001
    """
    n, share, at_most = np.broadcast_arrays(n, share, at_most * (1.0 + 1e-9))  # itself, whatever the rounding
    low, high = np.zeros(n.shape, np.int64), np.asarray(n, np.int64) + 1  # at n + 1 the p-value is zero
    while np.any(high - low > 1):
        middle = (low + high) // 2
        fits = at_least(middle, n, share) <= at_most
        low, high = np.where(fits, low, middle), np.where(fits, middle, high)
    return np.asarray(np.where(at_most >= 1.0, 1.0, at_least(high, n, share)), np.float64)


@lru_cache(maxsize=4096)
def binomial_interval(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Give the exact two-sided interval of a share from k of n.

    C. J. Clopper & E. S. Pearson, Biometrika 26 (1934) 404-413.

    >>> [round(limit, 5) for limit in binomial_interval(3, 20)]
    [0.03207, 0.37893]
    """
    from scipy.special import betaincinv

    tail = (1.0 - confidence) / 2.0
    low = float(betaincinv(k, n - k + 1, tail)) if k else 0.0
    high = float(betaincinv(k + 1, n - k, 1.0 - tail)) if k < n else 1.0
    return low, high
