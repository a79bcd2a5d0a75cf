"""How fast a fault shows: the grid of rates, and how long to wait.

A faulty part, exposed, shows as a Poisson process of unknown rate: log-uniform over five decades, from once an hour to
at once. Everything that asks 'how long must it stay quiet?' is answered here.
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
    "N_RATES",
    "RATES_HZ",
    "RATE_PRIOR",
    "dwell_s",
    "known_rate_dwell_s",
    "posterior_after_quiet",
    "quiet_probability",
    "quiet_to_prove",
]

_SLOWEST_HZ = 1.0 / 3600.0
"""Once an hour: what shows more seldom does not show while somebody watches (common practice)."""
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


def dwell_s(confidence: float, weights: Float64Array | None = None, *, so_far: float = 1.0) -> float:
    """Give how long a part must stay quiet until it would have shown with this confidence.

    Parameters
    ----------
    confidence : 0 … 1
    weights : (R,) what is known of the rate; None: nothing
    so_far : probability of the quiet that was already watched

    Returns
    -------
    Seconds from now; infinity when even the slowest rate is not reached within ten days
    """
    goal = 1.0 - confidence
    if so_far <= goal:
        return 0.0
    times_s, stays = _decay()
    log_quiet = np.log(np.maximum(so_far * (stays @ (RATE_PRIOR if weights is None else weights)), 1e-300))
    after = int(np.searchsorted(-log_quiet, -math.log(goal)))
    if after == len(times_s):
        return math.inf
    return float(np.interp(-math.log(goal), -log_quiet[after - 1 : after + 1], times_s[after - 1 : after + 1]))


@lru_cache(maxsize=1)
def _decay() -> tuple[Float64Array, Float64Array]:
    """Times from 0 to ten days, a few per cent apart, and the quiet of every rate up to each."""
    times_s = np.concatenate(([0.0], np.geomspace(0.05, 864_000.0, 400)))
    return times_s, np.exp(-np.outer(times_s, RATES_HZ))


def known_rate_dwell_s(confidence: float, rate_hz: float) -> float:
    """Give the dwell where the rate is known: -ln(1 - confidence) / rate."""
    return -math.log1p(-confidence) / rate_hz


def posterior_after_quiet(prior: float, quiet: float) -> float:
    """Give the probability of a part after a quiet trial that a faulty one passes with probability `quiet`.

    >>> round(posterior_after_quiet(0.5, math.exp(-3.0)), 7)
    0.0474259
    """
    faulty = prior * quiet
    return faulty / (faulty + 1.0 - prior)


def quiet_to_prove(n: int, watched_s: float, confidence: float = 0.95) -> float:
    """Give how long a repaired machine must stay quiet until the old rate is ruled out, s.

    With n events in T and none in t after, the conditional (binomial) test of an unchanged rate has
    p = (T / (T + t))^n (Przyborowski & Wilenski, Biometrika 31 (1940) 313-323). With many events this is 3 / rate, the
    rule of three (Hanley & Lippman-Hand, JAMA 249 (1983) 1743); with few it is longer, as the rate is not well known.

    >>> round(quiet_to_prove(1000, 1000.0), 2)
    3.0
    """
    return math.inf if n == 0 else float(watched_s * ((1.0 - confidence) ** (-1.0 / n) - 1.0))
