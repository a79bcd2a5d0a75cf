"""Whether dropouts come ever more often as machines age: the power-law process (Crow-AMSAA).

A machine of age t has an intensity proportional to t ** (growth - 1): 1 is steady, above 1 it wears, below 1 it
settles. Given how many dropouts a machine had, their ages do not depend on how bad the machine is; so machines of any
quality are taken together, and a bad one does not look like an old one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["LEAST_EVENTS", "Life", "Trend", "trend_of"]

LEAST_EVENTS = 5
"""With fewer, no trend is told (MIL-HDBK-189C works its methods from five on; from memory)."""
_STEEPEST = 4.0
"""In natural logarithms: growth from 1/55 to 55."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """What was seen of one machine's life, in hours of age."""

    ages: tuple[float, ...]
    """Of its dropouts, each within a stretch that was watched."""
    watched: tuple[tuple[float, float], ...]
    """(from, to), ascending and apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How the intensity changes with age."""

    growth: float
    """The exponent of the expected number of dropouts; likeliest."""
    low: float
    """95 %."""
    high: float
    p: float
    """Two-sided, of a steady rate."""
    n: int


def trend_of(lives: Sequence[Life], *, bunching: float = 1.0, confidence: float = 0.95) -> Trend | None:
    """Give the trend over machines; None with fewer than five dropouts, or where nothing was seen at two ages.

    Where all were watched from new and without a break, the estimate is N over the sum of ln(T / t), and test and
    interval are the exact ones of chi-squared with 2 N degrees of freedom (MIL-HDBK-189C, 5.5; L. H. Crow, 1974); else
    they are those of the likelihood ratio.

    Parameters
    ----------
    bunching : see `busdoc.many.statistics.bunching`
    """
    told = [life for life in lives if life.ages]
    n = sum(len(life.ages) for life in told)
    if n < LEAST_EVENTS:
        return None
    if all(len(life.watched) == 1 and life.watched[0][0] == 0.0 for life in told):
        return _from_new(told, n, bunching, confidence)
    return _in_windows(told, n, bunching, confidence)


def _from_new(lives: Sequence[Life], n: int, bunching: float, confidence: float) -> Trend:
    from scipy.special import gammainc, gammaincinv

    total = sum(math.log(life.watched[0][1] / max(age, 1e-12)) for life in lives for age in life.ages)
    growth, m, tail = n / total, n / bunching, (1.0 - confidence) / 2.0
    below = float(gammainc(m, total / bunching))  # of a steady rate: total is half a chi-squared
    return Trend(
        growth=growth,
        low=growth * float(gammaincinv(m, tail)) / m,
        high=growth * float(gammaincinv(m, 1.0 - tail)) / m,
        p=min(1.0, 2.0 * min(below, 1.0 - below)),
        n=n,
    )


def _in_windows(lives: Sequence[Life], n: int, bunching: float, confidence: float) -> Trend | None:
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import chdtrc, chdtri

    ages = [np.maximum(np.array(life.ages), 1e-9) for life in lives]
    # every machine on its own scale, so that no power overflows; the likelihood does not change
    scale = [max(to for _, to in life.watched) for life in lives]
    logs = float(sum(np.log(own / top).sum() for own, top in zip(ages, scale, strict=True)))
    windows = [np.array(life.watched) / top for life, top in zip(lives, scale, strict=True)]

    def fits(log_growth: float) -> float:
        growth = math.exp(log_growth)
        spans = [float((w[:, 1] ** growth - w[:, 0] ** growth).sum()) for w in windows]
        if min(spans) <= 0.0:
            return -1e300
        taken = sum(len(own) * math.log(span) for own, span in zip(ages, spans, strict=True))
        return (n * log_growth + (growth - 1.0) * logs - taken) / bunching

    best = minimize_scalar(lambda at: -fits(at), bounds=(-_STEEPEST, _STEEPEST), method="bounded")
    peak, at = -float(best.fun), float(best.x)
    if peak - fits(at - 0.5) < 1e-9 and peak - fits(at + 0.5) < 1e-9:
        return None  # each machine was seen at one age only
    drop = float(chdtri(1, 1.0 - confidence)) / 2.0

    def limit(end: float) -> float:
        return end if peak - fits(end) < drop else float(brentq(lambda x: peak - fits(x) - drop, at, end))

    return Trend(
        growth=math.exp(at),
        low=math.exp(limit(-_STEEPEST)),
        high=math.exp(limit(_STEEPEST)),
        p=float(chdtrc(1, max(0.0, 2.0 * (peak - fits(0.0))))),
        n=n,
    )
