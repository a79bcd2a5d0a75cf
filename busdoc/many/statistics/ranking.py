"""Which machines, controllers or parts drop more often than their fellows: one test each, corrected for all of them."""

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least

__all__ = ["FOUND_AT", "above_the_rest"]

FOUND_AT = 0.05
"""Of all that is called worse than its fellows, at most this share is not, on average."""


def above_the_rest(n: Int64Array | Float64Array, hours: Float64Array, *, bunching: float = 1.0) -> Float64Array:
    """(m,) Give for each of m fellows the chance to count as many, were its rate no higher than that of the rest.

    Given the total of two Poisson counts, one of them is binomial with its share of the hours (J. Przyborowski & H.
    Wilenski, Biometrika 31 (1940) 313-323): no rate need be known. Other bad ones among the rest make it no smaller.

    Parameters
    ----------
    n, hours : (m,) dropouts and hours watched
    bunching : see `busdoc.many.statistics.bunching`

    >>> above_the_rest(np.array([8, 2]), np.array([1.0, 1.0])).round(7).tolist()
    [0.0546875, 0.9892578]
    """
    n, hours = np.asarray(n, np.float64), np.asarray(hours, np.float64)
    total, total_h = n.sum(), hours.sum()
    if total == 0.0 or total_h <= 0.0:
        return np.ones(len(n))
    p = at_least(n / bunching, total / bunching, hours / total_h)
    return np.asarray(np.where((hours > 0.0) & (hours < total_h), np.clip(p, 0.0, 1.0), 1.0), np.float64)
