"""Tests one measured value against chance: all its features, both ways, at several thresholds, as one question.

A first look takes every dropout for an independent one. What could matter after it is worked out in full: how many
independent dropouts there are as far as each feature is concerned, and whether the shifts of the record show as much.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float32Array, Float64Array, Int64Array
from busdoc.intermittent.dropouts import LEAST_DROPOUTS
from busdoc.intermittent.precursors.covariate_chance import (
    TAILS,
    WEIGHTS,
    Pattern,
    by_spells,
    combine,
    effective,
    from_shifts,
    guard_places,
    rank_p,
    shifted_sums,
    tail_p,
)
from busdoc.intermittent.precursors.covariate_features import Feature

__all__ = [
    "WORTH_MORE",
    "FeatureTest",
    "Separation",
    "area_interval",
    "separate",
    "test_features",
]

_LEAST_PLACES = 50
_LEAST_SHARE = 0.5
"""Of dropouts, and of places, that must have a feature for it to be tried."""
WORTH_MORE = 0.05
"""A value whose p is beyond this at first sight stays with it: a closer look can only make it greater."""
_RARE = 0.05
"""A value is beyond a threshold so seldom that a single excursion may meet a whole burst of dropouts."""
UNTIED = 1.0 / 12.0
"""The variance of ranks without ties; ties leave less, and then a p that goes by this one is too large, if anything."""
_TAILS = np.array(TAILS)


@dataclass(slots=True, kw_only=True, eq=False)
class FeatureTest:
    """One feature in one direction."""

    feature: Feature
    direction: int
    """-1: low values go before dropouts; 1: high ones."""
    before: Float32Array
    """(n,) its values before dropouts, those that have one, by time."""
    all_values: Float32Array
    """(m + n,) those and its values at all places, ascending."""
    which: Int64Array
    """(n,) the dropouts' numbers."""
    p: Float64Array
    """(1 + len(TAILS),) of the ranks, then of each threshold."""
    n_effective: float

    @property
    def best_p(self) -> float:
        """The smallest."""
        return float(self.p.min())

    def ranks(self, values: Float32Array) -> Float64Array:
        """Give the share of all values below each, half of the equal ones included."""
        return _ranks(self.all_values, values)

    def is_beyond(self, values: Float32Array, limit: Float32Array | np.float32) -> BoolArray:
        """Mark the values beyond a threshold."""
        return np.asarray(values < limit if self.direction < 0 else values > limit)


def _ranks(ascending: Float32Array, values: Float32Array) -> Float64Array:
    below = np.searchsorted(ascending, values, side="left")
    return np.asarray((below + np.searchsorted(ascending, values, side="right")) / (2.0 * len(ascending)), np.float64)


def test_features(features: Iterable[Feature], at_places: Int64Array, worth: float) -> tuple[float, list[FeatureTest]]:
    """Test the features of one value together.

    Parameters
    ----------
    at_places : (n,) the last place of the record up to each dropout; -1 before the first
    worth : a p up to which the closer look is taken

    Returns
    -------
    p, corrected for all that was tried on this value, and the tests; none where it cannot be tried
    """
    tests = _first_look(list(features))
    if not tests:
        return 1.0, []
    p = _combined(tests)
    if p > worth:
        return p, tests
    for test in tests:
        if test.best_p <= worth:
            _look_closer(test, at_places, worth)
    return max(p, _combined(tests)), tests


test_features.__test__ = False  # type: ignore[attr-defined]  # the name is no test of pytest's


def _combined(tests: Sequence[FeatureTest]) -> float:
    weights = np.outer([test.feature.weight for test in tests], WEIGHTS).ravel()
    return combine(np.concatenate([test.p for test in tests]), weights)


def _first_look(features: Sequence[Feature]) -> list[FeatureTest]:
    """Test all features side by side, each dropout counted as an independent one."""
    before = np.array([feature.before for feature in features], np.float32)  # (f, n)
    ascending = np.sort(np.concatenate((np.array([f.rest for f in features], np.float32), before), axis=1), axis=1)
    n_all, n_before = (~np.isnan(ascending)).sum(axis=1), (~np.isnan(before)).sum(axis=1)  # NaN sorts last
    enough = np.maximum(LEAST_DROPOUTS, _LEAST_SHARE * before.shape[1])
    usable = (n_before >= enough) & (n_all - n_before >= _LEAST_PLACES)
    usable &= ascending[:, 0] != ascending[np.arange(len(features)), np.maximum(n_all - 1, 0)]
    rows = np.flatnonzero(usable)
    known = {k: before[k, ~np.isnan(before[k])] for k in rows.tolist()}
    ahead = {k: float((_ranks(ascending[k, : n_all[k]], known[k]) - 0.5).mean()) for k in known}
    found = []
    for direction in (-1, 1):
        some = [k for k in rows.tolist() if direction in features[k].kind.directions]
        tests = [
            FeatureTest(
                feature=features[k],
                direction=direction,
                before=known[k],
                all_values=ascending[k, : n_all[k]],
                which=np.flatnonzero(~np.isnan(before[k])),
                p=np.ones(1 + len(TAILS)),
                n_effective=float(n_before[k]),
            )
            for k in some
        ]
        if not tests:
            continue
        limits, shares = (np.array(of) for of in zip(*(_thresholds(test) for test in tests), strict=True))  # (t, tails)
        beyond = (
            before[some, None, :] < limits[:, :, None] if direction < 0 else before[some, None, :] > limits[:, :, None]
        )
        n_beyond, n = beyond.sum(axis=2), n_before[some][:, None]
        tails = np.where(n_beyond >= LEAST_DROPOUTS, tail_p(n_beyond, n, shares, n), 1.0)
        of_ranks = rank_p(direction * np.array([ahead[k] for k in some]), UNTIED, n_before[some])
        for test, p, tail in zip(tests, of_ranks.tolist(), tails, strict=True):
            test.p[0], test.p[1:] = p, tail
        found += tests
    return found


def _thresholds(test: FeatureTest) -> tuple[Float32Array, Float64Array]:
    """Give thresholds with at most each of `TAILS` of all values beyond, and the share that really is."""
    n_all = len(test.all_values)
    wanted = (_TAILS * n_all).astype(np.int64)
    if test.direction < 0:
        limits = test.all_values[np.minimum(wanted, n_all - 1)]  # this one is not beyond, what is below it is
        n_beyond = np.searchsorted(test.all_values, limits, side="left")
    else:
        limits = test.all_values[np.maximum(n_all - 1 - wanted, 0)]
        n_beyond = n_all - np.searchsorted(test.all_values, limits, side="right")
    return limits, n_beyond / n_all


def _look_closer(test: FeatureTest, at_places: Int64Array, worth: float) -> None:
    """Count the independent dropouts, and hold what was seen against shifts of the record."""
    n = len(test.before)
    usable = np.flatnonzero(~np.isnan(test.feature.rest))
    in_order = np.argsort(np.concatenate((usable, at_places[test.which] + 0.5)), kind="stable")
    values = np.concatenate((test.feature.rest[usable], test.before))[in_order]
    pattern = Pattern(at=np.flatnonzero(in_order >= len(usable)), n_places=len(values))
    ranks = test.direction * (test.ranks(values) - 0.5)
    guard = guard_places(ranks, 2)
    sums = shifted_sums(ranks, pattern)
    test.n_effective = effective(sums, n, float(ranks.var()))
    if test.p[0] <= worth:
        own = ranks[pattern.at]
        sided = rank_p(np.array([own.mean()]), UNTIED, np.array([test.n_effective]))
        test.p[0] = max(test.p[0], float(sided[0]), from_shifts(sums, float(own.sum()), guard))
    limits, shares = _thresholds(test)
    for k, limit in enumerate(limits):
        if test.p[1 + k] > worth:
            continue
        is_beyond = test.is_beyond(values, limit).astype(np.float64)
        n_beyond = int(is_beyond[pattern.at].sum())
        counts = shifted_sums(is_beyond, pattern)
        independent = effective(counts, n, float(is_beyond.var()))
        tail = float(tail_p(np.array([n_beyond]), n, shares[k : k + 1], independent)[0])
        if shares[k] <= _RARE:
            tail = max(tail, by_spells(is_beyond > 0.0, pattern, guard))
        test.p[1 + k] = max(test.p[1 + k], tail, from_shifts(counts, n_beyond, guard))


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
