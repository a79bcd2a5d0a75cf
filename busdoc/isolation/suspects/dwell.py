"""Dwell time: how long quiet must last until it says something.

Of a part that is exposed, until it would have shown; of a repaired machine, until the old rate is ruled out. Rates and
what is known of them are `busdoc.isolation.suspects.rates`'s.
"""

import math
from functools import lru_cache

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.isolation.suspects.rates import RATE_PRIOR, RATES_HZ

__all__ = ["dwell_s", "known_rate_dwell_s", "quiet_to_prove"]


def dwell_s(confidence: float, weights: Float64Array | None = None, *, so_far: float = 1.0) -> float:
    """Give how long a part must stay quiet until it would have shown with this confidence.

    Parameters
    ----------
    confidence : from 0 on, below 1
    weights : (R,) what is known of the rate; None: nothing
    so_far : probability of the quiet that was already watched

    Returns
    -------
    Seconds from now
    """
    goal = 1.0 - confidence
    if so_far <= goal:
        return 0.0
    times_s, stays = _decay()
    log_quiet = np.log(np.maximum(so_far * (stays @ (RATE_PRIOR if weights is None else weights)), 1e-300))
    after = int(np.searchsorted(-log_quiet, -math.log(goal)))
    return float(np.interp(-math.log(goal), -log_quiet[after - 1 : after + 1], times_s[after - 1 : after + 1]))


@lru_cache(maxsize=1)
def _decay() -> tuple[Float64Array, Float64Array]:
    """Times from 0 to ten days, a few per cent apart, and the quiet of every rate up to each."""
    times_s = np.concatenate(([0.0], np.geomspace(0.05, 864_000.0, 400)))
    return times_s, np.exp(-np.outer(times_s, RATES_HZ))


def known_rate_dwell_s(confidence: float, rate_hz: float) -> float:
    """Give the dwell where the rate is known: -ln(1 - confidence) / rate."""
    return -math.log1p(-confidence) / rate_hz


def quiet_to_prove(n: int, watched_s: float, confidence: float = 0.95) -> float:
    """Give how long a repaired machine must stay quiet until the old rate is ruled out, s.

    With n events in T and none in t after, the conditional (binomial) test of an unchanged rate has
    p = (T / (T + t))^n (Przyborowski & Wilenski, Biometrika 31 (1940) 313-323). With many events this is 3 / rate, the
    rule of three (Hanley & Lippman-Hand, JAMA 249 (1983) 1743); with few it is longer, as the rate is not well known.

    >>> round(quiet_to_prove(1000, 1000.0), 2)
    3.0
    """
    return math.inf if n == 0 else float(watched_s * ((1.0 - confidence) ** (-1.0 / n) - 1.0))
