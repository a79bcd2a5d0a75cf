"""The threshold that best separates what a value does before dropouts from the rest of the time, and how sure it is."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.isolation.covariate_test import FeatureTest

__all__ = ["Separation", "area_interval", "explained_share", "separate"]

_DRAWS = 200
_SEED = 20_161_115


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """How well a feature tells dropouts from the rest of the time."""

    area: float
    area_low: float
    area_high: float
    threshold: float
    threshold_low: float
    threshold_high: float
    n_beyond: int
    share_beyond: float
    n_background: float
    rest_quantiles: tuple[float, ...]
    """0 %, 1 %, … 100 % of the rest of the time."""


def separate(test: FeatureTest, *, closely: bool = True) -> Separation:
    """Find the threshold under which what is seen is least like chance, and the interval of both measures.

    The threshold maximises the likelihood ratio of 'so many of the dropouts beyond' against 'as many as of the rest';
    its interval is that of thresholds found for dropouts drawn anew (bootstrap, B. Efron, Annals of Statistics 7
    (1979) 1-26).

    Parameters
    ----------
    closely : False: the interval is all that dropouts show, and there is no picture, for what is no finding anyway
    """
    sign = -test.direction
    far = test.feature.rest[test.feature.is_far & ~np.isnan(test.feature.rest)]
    if not len(far):
        far = test.all_values
    before = np.sort(sign * test.before).astype(np.float64)
    rest = np.sort(sign * far).astype(np.float64)  # low is now what goes before dropouts
    share = np.searchsorted(rest, before, side="right") / len(rest)
    limit = _between(before, rest)
    best = _best(np.ones((1, len(before)), np.int64), share)[0]
    low, high = (limit[0], limit[-1]) if not closely else _interval(limit, share)
    ends = sorted((sign * float(low), sign * float(high)))
    ranks = (np.searchsorted(rest, before, side="left") + np.searchsorted(rest, before, side="right")) / 2.0
    area = 1.0 - float(ranks.mean()) / len(rest)
    n_background = _independent_looks(test)
    area_low, area_high = area_interval(area, test.n_effective, n_background)
    return Separation(
        area=area,
        area_low=area_low,
        area_high=area_high,
        threshold=sign * float(limit[best]),
        threshold_low=ends[0],
        threshold_high=ends[1],
        n_beyond=int(best) + 1,
        share_beyond=float(share[best]),
        n_background=n_background,
        rest_quantiles=tuple(np.quantile(sign * rest, np.linspace(0.0, 1.0, 101)).tolist()) if closely else (),
    )


def _interval(limit: Float64Array, share: Float64Array) -> tuple[float, float]:
    """Give the 95 % interval of the best threshold, among those given."""
    rng = np.random.default_rng(_SEED)
    drawn = rng.multinomial(len(limit), np.full(len(limit), 1.0 / len(limit)), size=_DRAWS)
    low, high = np.quantile(limit[_best(drawn, share)], (0.025, 0.975), method="nearest").tolist()
    return low, high


def explained_share(n_beyond: int, n: int, by_chance: float) -> float:
    """Give the share of what chance leaves that is explained.

    >>> explained_share(9, 10, 0.5)
    0.8
    """
    return max(0.0, (n_beyond / n - by_chance) / (1.0 - by_chance)) if n and by_chance < 1.0 else 0.0


def area_interval(area: float, n: float, m: float) -> tuple[float, float]:
    """Give the 95 % interval of an area under the receiver operating characteristic.

    J. A. Hanley & B. J. McNeil, Radiology 143 (1982) 29-36; the area is drawn in a little before the error is worked
    out, which keeps some at areas of 0 and 1.

    >>> [round(limit, 3) for limit in area_interval(0.75, 20.0, 1000.0)]
    [0.6, 0.855]
    """
    drawn = (area * n + 1.0) / (n + 2.0)
    both_before, both_rest = drawn / (2.0 - drawn), 2.0 * drawn**2 / (1.0 + drawn)
    n, m = max(n, 1.0), max(m, 1.0)
    spread = drawn * (1.0 - drawn)
    spread += (n - 1.0) * (both_before - drawn**2) + (m - 1.0) * (both_rest - drawn**2)
    error = 1.96 * float(np.sqrt(max(spread, 0.0) / (n * m)))
    return max(0.0, min(area, drawn - error)), min(1.0, max(area, drawn + error))


def _between(before: Float64Array, rest: Float64Array) -> Float64Array:
    """(n,) Give a threshold for each dropout's value: midway to the next greater value of the rest."""
    above = np.append(rest, rest[-1])[np.searchsorted(rest, before, side="right")]
    ahead = np.append(before[1:], np.inf)
    return np.asarray(np.where(above > before, (before + np.minimum(above, ahead)) / 2.0, before), np.float64)


def _best(drawn: Int64Array, share: Float64Array) -> Int64Array:
    """(d,) Give the place of the best threshold among the dropouts' values, for each of d draws.

    Parameters
    ----------
    drawn : (d, n) how often each dropout was drawn
    share : (n,) of the rest up to each dropout's value, ascending
    """
    n = drawn.sum(axis=1)[:, None]
    hit = np.cumsum(drawn, axis=1) / n
    q = np.clip(share, 1e-9, 1.0)[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = hit * np.log(hit / q) + np.where(hit < 1.0, (1.0 - hit) * np.log((1.0 - hit) / (1.0 - q)), 0.0)
    gain = np.where((hit > q) & (drawn > 0), gain, -1.0)
    return np.asarray(np.argmax(gain, axis=1), np.int64)


def _independent_looks(test: FeatureTest) -> float:
    """Give how many independent ones the places amount to, from how like its neighbour each is.

    G. V. Bayley & J. M. Hammersley, Supplement to the Journal of the Royal Statistical Society 8 (1946) 184-197, for an
    autocorrelation that falls off exponentially.
    """
    values = test.feature.rest[~np.isnan(test.feature.rest)].astype(np.float64)
    values -= values.mean()
    power = float(values @ values)
    like = float(values[1:] @ values[:-1]) / power if power > 0.0 else 0.0
    like = min(max(like, 0.0), 1.0 - 1.0 / len(values))
    return max(1.0, len(values) * (1.0 - like) / (1.0 + like))
