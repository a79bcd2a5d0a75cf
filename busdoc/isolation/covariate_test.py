"""Tests one measured value against chance: all its features, both ways, at several thresholds, as one question.

A first look takes every dropout for an independent one. What could matter after it is worked out in full: how many
independent dropouts there are as far as each feature is concerned, and whether the shifts of the record show as much.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.isolation.covariate_chance import (
    TAILS,
    Pattern,
    combine,
    effective,
    from_shifts,
    guard_places,
    rank_p,
    shifted_sums,
    tail_p,
)
from busdoc.isolation.covariate_features import Feature

__all__ = ["LEAST_DROPOUTS", "FeatureTest", "test_features"]

LEAST_DROPOUTS = 3
_LEAST_PLACES = 50
_LEAST_SHARE = 0.5
"""Of dropouts, and of places, that must have a feature for it to be tried."""
_WORTH_MORE = 0.05
"""A value whose p is beyond this at first sight stays with it: a closer look can only make it greater."""
_LEAST_SPREAD = 0.5
"""Where ties leave less than this of the variance of ranks, only thresholds are tried."""


@dataclass(slots=True, kw_only=True, eq=False)
class FeatureTest:
    """One feature in one direction."""

    feature: Feature
    direction: int
    """-1: low values go before dropouts; 1: high ones."""
    before: Float64Array
    """(n,) its values before dropouts, those that have one, by time."""
    which: Int64Array
    """(n,) the dropouts' numbers."""
    rest: Float64Array
    """(m,) its values in the rest of the time, ascending."""
    p: Float64Array
    """(1 + len(TAILS),) of the ranks, then of each threshold."""
    n_effective: float

    @property
    def best_p(self) -> float:
        """The smallest."""
        return float(self.p.min())


def test_features(features: Iterable[Feature], at_places: Int64Array) -> tuple[float, list[FeatureTest]]:
    """Test the features of one value together.

    Parameters
    ----------
    at_places : (n,) the last place of the record up to each dropout

    Returns
    -------
    p, corrected for all that was tried on this value, and the tests; none where it cannot be tried
    """
    tests = [test for feature in features for test in _first_look(feature)]
    if not tests:
        return 1.0, []
    p = combine(np.concatenate([test.p for test in tests]))
    if p > _WORTH_MORE:
        return p, tests
    done: dict[int, tuple[Pattern, Int64Array]] = {}
    for test in tests:
        if test.best_p <= _WORTH_MORE:
            _look_closer(test, at_places, done)
    return max(p, combine(np.concatenate([test.p for test in tests]))), tests


test_features.__test__ = False  # type: ignore[attr-defined]  # the name is no test of pytest's


def _first_look(feature: Feature) -> list[FeatureTest]:
    has_rest, has_before = ~np.isnan(feature.rest), ~np.isnan(feature.before)
    n_rest, n = int(has_rest.sum()), int(has_before.sum())
    if n < LEAST_DROPOUTS or n_rest < _LEAST_PLACES:
        return []
    if n < _LEAST_SHARE * len(has_before):
        return []
    rest = np.sort(feature.rest[has_rest])
    if rest[0] == rest[-1]:
        return []
    before = feature.before[has_before]
    below, up_to = np.searchsorted(rest, before, side="left"), np.searchsorted(rest, before, side="right")
    ranks = (below + up_to) / (2.0 * n_rest)
    runs = np.diff(np.flatnonzero(np.concatenate(([True], rest[1:] != rest[:-1], [True]))))
    variance = (1.0 - float(np.sum((runs / n_rest) ** 3))) / 12.0  # of mid-ranks, less what ties take
    by_rank = rank_p(ranks, variance, n) if 12.0 * variance >= _LEAST_SPREAD else np.ones(2)
    tests = []
    for direction in feature.kind.directions:
        edge, share = _thresholds(rest, direction)
        n_beyond = (before[:, None] <= edge).sum(axis=0) if direction < 0 else (before[:, None] >= edge).sum(axis=0)
        tests.append(
            FeatureTest(
                feature=feature,
                direction=direction,
                before=before.astype(np.float64),
                which=np.flatnonzero(has_before),
                rest=rest.astype(np.float64),
                p=np.concatenate((by_rank[[0 if direction < 0 else 1]], tail_p(n_beyond, n, share, n))),
                n_effective=float(n),
            )
        )
    return tests


def _thresholds(rest: Float64Array, direction: int) -> tuple[Float64Array, Float64Array]:
    """Give the thresholds with at most each of `TAILS` of the rest beyond, and the share that really is (plus one)."""
    m = len(rest)
    wanted = np.array([int(tail * m) for tail in TAILS])
    if direction < 0:
        edge = rest[np.minimum(wanted, m - 1)]  # the first one not to be counted: below it are at most `wanted`
        n_beyond = np.searchsorted(rest, edge, side="left")
        edge = np.nextafter(edge, np.float32(-np.inf))
    else:
        edge = rest[np.maximum(m - 1 - wanted, 0)]
        n_beyond = m - np.searchsorted(rest, edge, side="right")
        edge = np.nextafter(edge, np.float32(np.inf))
    return edge, (n_beyond + 1.0) / (m + 1.0)


def _look_closer(test: FeatureTest, at_places: Int64Array, done: dict[int, tuple[Pattern, Int64Array]]) -> None:
    """Count the independent dropouts, and hold what was seen against shifts of the record."""
    usable = np.flatnonzero(~np.isnan(test.feature.rest))
    place = np.searchsorted(usable, at_places[test.which], side="right") - 1
    pattern = Pattern(at=np.maximum(place, 0), n_places=len(usable))
    values = test.feature.rest[usable]
    n = len(test.before)
    ranks = (np.searchsorted(test.rest, values, side="left") + np.searchsorted(test.rest, values, side="right")) / (
        2.0 * len(values)
    )
    guard = guard_places(ranks, 2)
    sums = shifted_sums(ranks - 0.5, pattern)
    test.n_effective = effective(sums, n, float(ranks.var()))
    if test.p[0] < 1.0:
        own = (np.searchsorted(test.rest, test.before) + np.searchsorted(test.rest, test.before, side="right")) / (
            2.0 * len(values)
        )
        sided = rank_p(own, float(ranks.var()), test.n_effective)[0 if test.direction < 0 else 1]
        reached = test.direction * float((own - 0.5).sum())
        test.p[0] = max(float(sided), from_shifts(test.direction * sums, reached, guard))
    edge, share = _thresholds(test.rest.astype(np.float32), test.direction)
    for k, (limit, q) in enumerate(zip(edge.tolist(), share.tolist(), strict=True), start=1):
        if test.p[k] > _WORTH_MORE:
            continue
        is_beyond = values <= limit if test.direction < 0 else values >= limit
        n_beyond = int((test.before <= limit).sum() if test.direction < 0 else (test.before >= limit).sum())
        counts = shifted_sums(is_beyond.astype(np.float64), pattern)
        independent = effective(counts, n, float(is_beyond.var()))
        tail = float(tail_p(np.array([n_beyond]), n, np.array([q]), independent)[0])
        test.p[k] = max(test.p[k], tail, from_shifts(counts, n_beyond, guard))
