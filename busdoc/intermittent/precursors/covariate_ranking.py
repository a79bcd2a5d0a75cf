"""Tests one measured value against chance: all its features, both ways, at several thresholds, as one question.

A first look takes every dropout for an independent one. What could matter after it is worked out in full: how many
independent dropouts there are as far as each feature is concerned.

Under chance the dropouts, kept as far apart from one another as they are, lie anywhere along the record (circular
shifts). Values that drift keep drifting then, and dropouts that come in bursts keep doing so. All shifts together tell
how many independent dropouts there are as far as one value is concerned: the variance of a count over all shifts,
against that of as many independent draws. Exact binomial tails go by that number.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float32Array, Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.dropouts import LEAST_DROPOUTS
from busdoc.intermittent.precursors.covariate_features import Feature

__all__ = ["WORTH_MORE", "FeatureTest", "combine", "effective", "rank_p", "shifted_sums", "test_features"]

_LEAST_PLACES = 50
_LEAST_SHARE = 0.5
"""Of dropouts, and of places, that must have a feature for it to be tried."""
WORTH_MORE = 0.05
"""A value whose p is beyond this at first sight stays with it: a closer look can only make it greater."""
_TAILS = np.array((0.5, 0.33, 0.2, 0.12, 0.06, 0.03, 0.01, 0.003, 0.001))
"""Shares of the record that lie beyond the thresholds that are tried."""
_WEIGHTS = (1.0, 0.5, 1.5, 1.5, 1.5, 1.5, 1.0, 0.5, 0.5, 0.5)
"""Of the rank test, then of each of `_TAILS`: what lies far out needs no help, since its p is tiny when it is real."""
_CLIP = 0.9
_LEAST_EFFECTIVE = 2.0


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
    """(1 + len(_TAILS),) of the ranks, then of each threshold."""
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
    tests = _first_look(features)
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
    weights = np.outer([test.feature.weight for test in tests], _WEIGHTS).ravel()
    return combine(np.concatenate([test.p for test in tests]), weights)


def _first_look(features: Iterable[Feature]) -> list[FeatureTest]:
    """Test features in their directions, each dropout counted as an independent one."""
    tests, ahead, counts = [], [], []
    for feature in features:
        which = np.flatnonzero(~np.isnan(feature.before))
        before, rest = feature.before[which], feature.rest[~np.isnan(feature.rest)]
        n = len(before)
        if n < max(LEAST_DROPOUTS, _LEAST_SHARE * len(feature.before)) or len(rest) < _LEAST_PLACES:
            continue
        all_values = np.sort(np.concatenate((rest, before)))
        if all_values[0] == all_values[-1]:
            continue
        raised = None
        for direction in feature.kind.directions:
            test = FeatureTest(
                feature=feature,
                direction=direction,
                before=before,
                all_values=all_values,
                which=which,
                p=np.ones(1 + len(_TAILS)),
                n_effective=float(n),
            )
            raised = float((test.ranks(before) - 0.5).mean()) if raised is None else raised
            limits, shares = _thresholds(test)
            tests.append(test)
            ahead.append(direction * raised)
            counts.append((test.is_beyond(before, limits[:, None]).sum(axis=1), np.full(len(shares), n), shares))
    if not tests:
        return []
    # one call for all of them: each is soon done
    n_beyond, n_of, share = (np.array(column) for column in zip(*counts, strict=True))
    enough = n_beyond >= LEAST_DROPOUTS
    tails = np.ones(enough.shape)
    tails[enough] = at_least(n_beyond[enough], n_of[enough], share[enough])
    ranks = rank_p(np.array(ahead), n_of[:, 0].astype(np.float64))
    for test, of_ranks, of_tails in zip(tests, ranks.tolist(), tails, strict=True):
        test.p[0], test.p[1:] = of_ranks, of_tails
    return tests


def _thresholds(test: FeatureTest) -> tuple[Float32Array, Float64Array]:
    """Give thresholds with at most each of `_TAILS` of all values beyond, and the share that really is."""
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
    """Count the independent dropouts as the shifts of the record tell them, and test anew with their number."""
    n = len(test.before)
    # Places and dropouts in the order of time, where each has its value.
    usable = np.flatnonzero(~np.isnan(test.feature.rest))
    in_order = np.argsort(np.concatenate((usable, at_places[test.which] + 0.5)), kind="stable")
    values = np.concatenate((test.feature.rest[usable], test.before))[in_order]
    at = np.flatnonzero(in_order >= len(usable))
    # The rank test, by as many dropouts as the spread of rank sums over all shifts says are independent.
    ranks = test.direction * (test.ranks(values) - 0.5)
    sums = shifted_sums(ranks, at)
    test.n_effective = effective(sums, n, float(ranks.var()))
    if test.p[0] <= worth:
        test.p[0] = max(test.p[0], float(rank_p(float(ranks[at].mean()), test.n_effective)))
    # The same for the counts beyond each threshold that may matter.
    limits, shares = _thresholds(test)
    for k, limit in enumerate(limits):
        if test.p[1 + k] > worth:
            continue
        is_beyond = test.is_beyond(values, limit).astype(np.float64)
        n_beyond = int(is_beyond[at].sum())
        counts = shifted_sums(is_beyond, at)
        independent = effective(counts, n, float(is_beyond.var()))
        tail = float(at_least(n_beyond * independent / n, independent, float(shares[k])))
        test.p[1 + k] = max(test.p[1 + k], tail)


def shifted_sums(values: Float64Array, at: Int64Array) -> Float64Array:
    """(m,) Add the values at the dropouts' places, for every shift of the dropouts around the record.

    Transforms of a length with a large prime factor take ten times as long, so the record is laid on a longer, smooth
    one, and what runs over its end is folded back.

    Parameters
    ----------
    values : (m,) one for each usable place
    at : (n,) the last place up to each dropout
    """
    from scipy.fft import irfft, next_fast_len, rfft  # 0.1 s

    m = len(values)
    length = next_fast_len(2 * m, real=True)
    dropouts = np.bincount(at, minlength=m).astype(np.float64)
    product = irfft(rfft(values, length) * np.conj(rfft(dropouts, length)), length)
    folded = product[:m].copy()
    folded[1:] += product[length - m + 1 :]
    return np.asarray(folded, np.float64)


def effective(sums: Float64Array, n: int, variance: float) -> float:
    """Give how many independent draws the dropouts amount to, n at most."""
    if variance <= 0.0 or n == 0:
        return float(n)
    return n / max(1.0, float(sums.var()) / (n * variance))


def rank_p(ahead: Float64Array | float, n_effective: Float64Array | float) -> Float64Array:
    """Give the probability by chance of ranks that are as far ahead in the mean.

    The rank test of Mann & Whitney (Annals of Mathematical Statistics 18 (1947) 50-60) against many places. Ties leave
    the ranks less variance than is taken here, so then the p is too large, if anything.

    Parameters
    ----------
    ahead : -0.5 … 0.5: mean rank less that of all places, positive in the direction that is asked about
    n_effective : independent dropouts; of the same shape
    """
    from scipy.special import ndtr

    n_effective = np.asarray(n_effective, np.float64)
    tail = ndtr(-np.asarray(ahead, np.float64) * np.sqrt(12.0 * n_effective))
    return np.asarray(np.where(n_effective >= _LEAST_EFFECTIVE, tail, 1.0), np.float64)


def combine(p: Float64Array, weights: Float64Array | None = None) -> float:
    """Combine p-values of tests that depend on one another in unknown ways into one.

    Y. Liu & J. Xie, Journal of the American Statistical Association 115 (2020) 393-402 (the Cauchy combination): for
    small p, tests that all say the same pay nothing for their number, unrelated ones as by Bonferroni.

    Parameters
    ----------
    weights : (n,) how much of what all pay together each may use, set without a look at the data; None: the same each

    >>> round(combine(np.array([0.01, 0.01])), 6), round(combine(np.array([1e-6, 0.5])), 9)
    (0.01, 2e-06)
    """
    if not len(p):
        return 1.0
    small = np.minimum(np.maximum(p, 1e-300), _CLIP)
    with np.errstate(divide="ignore", over="ignore"):
        heights = np.where(small < 1e-8, 1.0 / (np.pi * small), np.tan((0.5 - small) * np.pi))
    height = float(np.average(heights, weights=weights))
    return 1.0 / (np.pi * height) if height > 1e8 else 0.5 - float(np.arctan(height)) / np.pi
