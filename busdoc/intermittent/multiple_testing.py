"""Corrects p-values for how much was tried: with two hundred signals, ten look like a cause at 5 % by chance alone."""

from collections.abc import Callable, Sequence

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.intermittent.binomial import greatest_attained

__all__ = ["attained", "benjamini_hochberg", "holm"]

_FAR_FROM_FOUND = 0.1
"""Beyond this, a corrected p-value need not be the smallest that can be vouched for."""


def holm(p: Float64Array, attained: Callable[[float], Float64Array] | None = None) -> Float64Array:
    """Correct for many tests so that even one false finding is unlikely, whatever their dependence.

    S. Holm, Scandinavian Journal of Statistics 6 (1979) 65-70. Where tests count few things, each pays only for how
    often it could show so small a p-value, which many cannot at all (R. E. Tarone, Biometrics 46 (1990) 515-522; P. H.
    Westfall & R. D. Wolfinger, The American Statistician 51 (1997) 3-8).

    Parameters
    ----------
    p : (n,) 0 … 1, in any order
    attained : gives for one p-value the chance (n,) of each test to show one as small, no greater than itself; None:
        they are that

    Returns
    -------
    (n,) corrected p-values: those up to 0.05 are found, with a chance of 5 % that any of them is false

    >>> holm(np.array([0.01, 0.04, 0.03, 0.005])).round(12).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    order, ascending = _sorted(p)
    stepped = ascending * (len(p) - np.arange(len(p)))  # each pays for those not yet found, itself among them
    for k, smallest in enumerate(ascending.tolist() if attained is not None else ()):
        assert attained is not None
        stepped[k] = max(smallest, min(stepped[k], float(attained(smallest)[order[k:]].sum())))
        if stepped[k] > _FAR_FROM_FOUND:
            break
    return _put_back(np.maximum.accumulate(stepped), order)


def attained(chances: Sequence[Sequence[tuple[int, float]]]) -> Callable[[float], Float64Array]:
    """Give what says how often by chance each of n tests on counts shows a p-value as small as one, for `holm`.

    Parameters
    ----------
    chances : (n,) for each window that a test tried: dropouts, and the chance of each to be preceded; its p is that of
        the best window times their number
    """
    n_windows = np.array([max(len(of), 1) for of in chances], np.float64)
    n = np.zeros((len(chances), int(n_windows.max(initial=1.0))), np.int64)
    share = np.zeros(n.shape)
    for row, of in enumerate(chances):
        for w, (n_dropouts, by_chance) in enumerate(of):
            n[row, w], share[row, w] = n_dropouts, by_chance

    def chance(p: float) -> Float64Array:
        return np.asarray(np.minimum(greatest_attained(n, share, (p / n_windows)[:, None]).sum(axis=1), p))

    return chance


def benjamini_hochberg(p: Float64Array) -> Float64Array:
    """Correct for many tests so that of all findings only a small share is false.

    Y. Benjamini & Y. Hochberg, Journal of the Royal Statistical Society B 57 (1995) 289-300; for tests that are
    independent or positively dependent.

    Parameters
    ----------
    p : (n,) 0 … 1, in any order

    Returns
    -------
    (n,) corrected p-values: of those up to 0.05, on average at most 5 % are false

    >>> benjamini_hochberg(np.array([0.01, 0.04, 0.03, 0.005])).round(12).tolist()
    [0.02, 0.04, 0.04, 0.02]
    """
    order, ascending = _sorted(p)
    n = len(p)
    stepped = np.minimum.accumulate((ascending * n / np.arange(1, n + 1))[::-1])[::-1]
    return _put_back(stepped, order)


def _sorted(p: Float64Array) -> tuple[Int64Array, Float64Array]:
    p = np.asarray(p, np.float64)
    if p.ndim != 1 or not (np.all(p >= 0.0) and np.all(p <= 1.0)):
        raise ValueError("p-values must be one row of numbers from 0 to 1")
    order = np.argsort(p, kind="stable")
    return order, p[order]


def _put_back(stepped: Float64Array, order: Int64Array) -> Float64Array:
    corrected = np.empty(len(stepped))
    corrected[order] = np.minimum(stepped, 1.0)
    return corrected
