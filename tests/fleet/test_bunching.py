"""Dropouts that come in bunches, and those that do not."""

import numpy as np
import pytest

from busdoc.many.statistics.bunching import bunching_of
from busdoc.many.statistics.together import fell_together


def counts(mean_in_bunch: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    machine = np.repeat(np.arange(60), 20)
    hours = rng.uniform(0.5, 2.0, len(machine))
    rate = rng.lognormal(0.0, 0.5, 60)[machine] * 0.5
    bunches = rng.poisson(rate * hours / mean_in_bunch)
    return machine, bunches * round(mean_in_bunch), hours


def test_dropouts_of_a_steady_rate_are_not_bunched_however_the_machines_differ() -> None:
    assert bunching_of(*counts(1.0)) == pytest.approx(1.0, abs=0.1)


def test_bunches_of_four_make_the_variance_four_times_the_mean() -> None:
    assert bunching_of(*counts(4.0)) == pytest.approx(4.0, abs=0.8)


def test_too_little_to_tell_counts_as_steady() -> None:
    assert bunching_of(np.array([0, 0, 1]), np.array([1, 0, 1]), np.array([1.0, 1.0, 0.0])) == 1.0
    assert bunching_of(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)) == 1.0


def test_two_that_fall_together_are_told_from_two_that_only_drop_often() -> None:
    together = [("km-1", ("hopper", "lift"))] * 3 + [("km-2", ("lift", "hopper"))] * 2
    alone = [("km-1", ("fan",))] * 10 + [("km-1", ("hopper",))]
    (found,) = fell_together([*together, *alone], {"km-1": 100.0, "km-2": 100.0})
    assert (found.controllers, found.n, found.of, found.machines) == (("hopper", "lift"), 5, (6, 5), 2)
    assert found.p < 1e-6
