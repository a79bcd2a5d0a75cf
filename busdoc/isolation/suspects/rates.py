"""How fast a fault shows: the grid of rates, what is known of them beforehand, and how likely quiet is.

A faulty part, exposed, shows as a Poisson process of unknown rate: log-uniform over five decades, from once an hour to
at once. How long to wait follows in `busdoc.isolation.suspects.dwell`.
"""

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from busdoc.arrays import Float64Array

__all__ = [
    "BACKGROUND_ALONE",
    "BACKGROUND_BESIDE",
    "BACKGROUND_HZ",
    "CONFIDENCE",
    "N_RATES",
    "RATES_HZ",
    "RATE_PRIOR",
    "SHORTEST_QUIET_S",
    "TELLS_AT_MOST_HZ",
    "density_within",
    "not_seen",
    "quiet_probability",
]

_SLOWEST_HZ = 1.0 / 3600.0
"""Once an hour: what shows more seldom does not show while somebody watches (common practice)."""
CONFIDENCE = 0.95
"""A branch is called clear when it would have shown with this probability (common practice)."""
SHORTEST_QUIET_S = 12.0
"""Less quiet than this decides nothing, however often the fault came: what shows at once shows within a start and a
moment, and a contact that was just moved may hold for a few seconds (common practice: one to ten seconds)."""
TELLS_AT_MOST_HZ = -math.log(1.0 - CONFIDENCE) / SHORTEST_QUIET_S
"""So quiet that goes on tells no faster than that of a fault which shows so surely within that time (by definition)."""
_SAME = 1e-6
"""Two numbers closer than this are moved apart, so that something may be divided by their difference: far more than a
double loses in it (IEEE 754-2019)."""
_DECADES = 5
"""From there up to 28 times a second: at once (common practice)."""
N_RATES = 20
"""Cells of a quarter of a decade each; a coarser grid loses the maximum between its nodes with a score of events
(bound on work)."""


@lru_cache(maxsize=1)
def _rates() -> Float64Array:
    middles = (np.arange(N_RATES) + 0.5) / N_RATES
    rates: Float64Array = _SLOWEST_HZ * 10.0 ** (_DECADES * middles)
    rates.setflags(write=False)
    return rates


RATES_HZ: Float64Array = _rates()
"""(R,) middles of the cells, 1/s, ascending, by definition."""
RATE_PRIOR: Float64Array = np.full(N_RATES, 1.0 / N_RATES)
"""(R,) log-uniform: nothing is known of a scale (Jeffreys, Proceedings of the Royal Society A 186, 1946)."""
BACKGROUND_HZ: Float64Array = np.array([1e-8, 1e-5, 1e-4, 4e-4, 1.2e-3, 3.5e-3, 1e-2])
"""(Z,) rate of incidents of each controller that no part on the map explains, 1/s: hardly ever, once a day, and in
steps of three to ten up to once in 100 s (bound on work)."""
BACKGROUND_BESIDE: Float64Array = np.array([0.97, 0.012, 0.0075, 0.0045, 0.003, 0.00225, 0.00075])
"""(Z,) its prior where a part on the map is at fault: one trouble in seven is off the map, and one in seven machines
has a second trouble, so one in fifty has both, more or less (common practice, as `SET_SIZE_PRIOR`)."""
BACKGROUND_ALONE: Float64Array = np.array([0.0, 0.1, 0.15, 0.2, 0.25, 0.2, 0.1])
"""(Z,) its prior where none is, and there is trouble all the same (common practice: every few minutes to every few
hours)."""


def density_within(window_s: float) -> Float64Array:
    """Give the density of a showing that began at some time within a window, (R,) 1/s: of none, the rates themselves.

    It is the mean over the window of r exp(-r x), (1 - exp(-r w)) / w: what cannot be told apart more finely must not
    speak for a fault that shows at once.
    """
    return RATES_HZ if window_s <= 0.0 else np.asarray(-np.expm1(-RATES_HZ * window_s) / window_s, np.float64)


def not_seen(quiet_s: Float64Array, n_looks: Float64Array, errs: float, at_most_hz: float = math.inf) -> Float64Array:
    """Give the probability that nothing was seen of a fault in a stretch of time, by rate.

    It did not show; or it did, and each look since was wrong. It may have begun between any two of n looks, evenly
    spread: with x = exp(-r t / n) that is x^n + sum over k of x^(k - 1) (1 - x) errs^(n - k + 1).

    Parameters
    ----------
    quiet_s : (...,) how long, s
    n_looks : (...,) how many looks saw nothing; nothing was seen without a look
    errs : that one look is wrong
    at_most_hz : a fault that shows more often than this stays quiet as one that shows so often

    Returns
    -------
    (..., R) float64
    """
    rates_hz = np.minimum(RATES_HZ, at_most_hz)
    if errs <= 0.0:
        return np.asarray(np.exp(-quiet_s[..., None] * rates_hz), np.float64)
    n = n_looks[..., None]
    x = np.exp(-quiet_s[..., None] * rates_hz / np.maximum(n, 1.0))
    x = np.where(np.abs(x - errs) < _SAME, errs + _SAME, x)
    missed = errs * (1.0 - x) * (errs**n - x**n) / (errs - x)
    return np.where(n > 0.0, x**n + missed, 1.0)


def quiet_probability(quiet_s: npt.ArrayLike, weights: Float64Array | None = None) -> Float64Array:
    """Give the probability that a faulty part stays quiet, its rate unknown.

    Parameters
    ----------
    quiet_s : (...,) exposure without trouble, s
    weights : (R,) distribution over `RATES_HZ`; None: the prior

    Returns
    -------
    (...,) float64. With the prior this is [E1(a t) - E1(b t)] / ln(b/a), up to the grid's width.
    """
    weights = RATE_PRIOR if weights is None else weights
    exposure = np.asarray(quiet_s, np.float64)[..., None] * RATES_HZ
    quiet: Float64Array = np.asarray(np.exp(-exposure) @ weights, np.float64)
    return quiet
