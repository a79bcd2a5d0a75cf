"""Corrects p-values for how much was tried: with two hundred signals, ten look like a cause at 5 % by chance alone."""

from collections.abc import Callable

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["benjamini_hochberg", "holm"]

_FAR_FROM_FOUND = 0.1
"""Beyond this, a corrected p-value need not be the smallest that can be vouched for."""


def holm(
    p: Float64Array,
    weights: Float64Array | None = None,
    attained: Callable[[Float64Array], Float64Array] | None = None,
) -> Float64Array:
    """Correct for many tests so that even one false finding is unlikely, whatever their dependence.

    S. Holm, Scandinavian Journal of Statistics 6 (1979) 65-70; with weights, its section 4. Where tests count few
    things, each pays only for how often it could show so small a p-value, which many cannot at all (R. E. Tarone,
    Biometrics 46 (1990) 515-522; P. H. Westfall & R. D. Wolfinger, The American Statistician 51 (1997) 3-8).

    Parameters
    ----------
    p : (n,) 0 … 1, in any order
    weights : (n,) positive, settled before the tests: the share of the risk that each may take; None: all the same
    attained : gives for p-values (n,), one for each test, the chance of one as small, no greater than itself;
        None: they are that

    Returns
    -------
    (n,) corrected p-values: those up to 0.05 are found, with a chance of 5 % that any of them is false

    >>> holm(np.array([0.01, 0.04, 0.03, 0.005])).round(12).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    p = _checked(p)
    weights = np.ones(len(p)) if weights is None else weights
    order = np.argsort(p / weights, kind="stable")
    left = np.cumsum(weights[order][::-1])[::-1]  # of those not yet found, this one among them
    stepped = p[order] * left / weights[order]
    for k, first in enumerate(order.tolist() if attained is not None else ()):
        assert attained is not None
        chance = np.minimum(attained(np.minimum(weights * p[first] / weights[first], 1.0)), 1.0)
        stepped[k] = max(float(p[first]), min(stepped[k], float(chance[order[k:]].sum())))
        if stepped[k] > _FAR_FROM_FOUND:
            break
    return _put_back(np.maximum.accumulate(stepped), order)


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
    p = _checked(p)
    order = np.argsort(p, kind="stable")
    n = len(p)
    stepped = np.minimum.accumulate((p[order] * n / np.arange(1, n + 1))[::-1])[::-1]
    return _put_back(stepped, order)


def _checked(p: Float64Array) -> Float64Array:
    p = np.asarray(p, np.float64)
    if p.ndim != 1 or not (np.all(p >= 0.0) and np.all(p <= 1.0)):
        raise ValueError("p-values must be one row of numbers from 0 to 1")
    return p


def _put_back(stepped: Float64Array, order: Int64Array) -> Float64Array:
    corrected = np.empty(len(stepped))
    corrected[order] = np.minimum(stepped, 1.0)
    return corrected
