"""Tests one measured value against chance: all its features, both ways, at several thresholds, as one question.

A first look takes every dropout for an independent one. What could matter after it is worked out in full: how many
independent dropouts there are as far as each feature is concerned, and whether the shifts of the record show as much.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float32Array, Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.dropouts import LEAST_DROPOUTS
from busdoc.intermittent.precursors.covariate_chance import (
    TAILS,
    WEIGHTS,
    by_spells,
    combine,
    effective,
    from_shifts,
    guard_places,
    rank_p,
    shifted_sums,
)
from busdoc.intermittent.precursors.covariate_features import Feature

__all__ = [
    "WORTH_MORE",
    "FeatureTest",
    "test_features",
]

_LEAST_PLACES = 50
_LEAST_SHARE = 0.5
"""Of dropouts, and of places, that must have a feature for it to be tried."""
WORTH_MORE = 0.05
"""A value whose p is beyond this at first sight stays with it: a closer look can only make it greater."""
_RARE = 0.05
"""A value is beyond a threshold so seldom that a single excursion may meet a whole burst of dropouts."""
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
        below, up_to = (np.searchsorted(self.all_values, values, side=side) for side in ("left", "right"))
        return np.asarray((below + up_to) / (2.0 * len(self.all_values)), np.float64)

    def is_beyond(self, values: Float32Array, limit: Float32Array | np.float32) -> BoolArray:
        """Mark the values beyond a threshold."""
        return np.asarray(values < limit if self.direction < 0 else values > limit)


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
    tests = [test for feature in features for test in _first_look(feature)]
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


def _first_look(feature: Feature) -> Iterator[FeatureTest]:
    """Test one feature in its directions, each dropout counted as an independent one."""
    which = np.flatnonzero(~np.isnan(feature.before))
    before, rest = feature.before[which], feature.rest[~np.isnan(feature.rest)]
    n = len(before)
    if n < max(LEAST_DROPOUTS, _LEAST_SHARE * len(feature.before)) or len(rest) < _LEAST_PLACES:
        return
    all_values = np.sort(np.concatenate((rest, before)))
    if all_values[0] == all_values[-1]:
        return
    for direction in feature.kind.directions:
        test = FeatureTest(
            feature=feature,
            direction=direction,
            before=before,
            all_values=all_values,
            which=which,
            p=np.ones(1 + len(TAILS)),
            n_effective=float(n),
        )
        ahead = direction * float((test.ranks(before) - 0.5).mean())
        limits, shares = _thresholds(test)
        n_beyond = test.is_beyond(before, limits[:, None]).sum(axis=1)
        test.p[0] = rank_p(ahead, n)
        test.p[1:] = np.where(n_beyond >= LEAST_DROPOUTS, at_least(n_beyond, n, shares), 1.0)
        yield test


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
    at = np.flatnonzero(in_order >= len(usable))
    ranks = test.direction * (test.ranks(values) - 0.5)
    guard = guard_places(ranks, 2)
    sums = shifted_sums(ranks, at)
    test.n_effective = effective(sums, n, float(ranks.var()))
    if test.p[0] <= worth:
        own = ranks[at]
        by_ranks = rank_p(float(own.mean()), test.n_effective)
        test.p[0] = max(test.p[0], by_ranks, from_shifts(sums, float(own.sum()), guard))
    limits, shares = _thresholds(test)
    for k, limit in enumerate(limits):
        if test.p[1 + k] > worth:
            continue
        is_beyond = test.is_beyond(values, limit).astype(np.float64)
        n_beyond = int(is_beyond[at].sum())
        counts = shifted_sums(is_beyond, at)
        independent = effective(counts, n, float(is_beyond.var()))
        tail = float(at_least(n_beyond * independent / n, independent, float(shares[k])))
        if shares[k] <= _RARE:
            tail = max(tail, by_spells(is_beyond > 0.0, at, guard))
        test.p[1 + k] = max(test.p[1 + k], tail, from_shifts(counts, n_beyond, guard))
