"""Tolerance bounds against published tables."""

import math
from statistics import mean, stdev

import numpy as np
import pytest

from busdoc.resync_check.tolerance import (
    normal_factor,
    normal_factor_by_formula,
    upper_bound,
    wilks_confidence,
    wilks_n,
)


def test_the_exact_factor_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, coverage 0.90, confidence 0.99."""
    assert normal_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)


def test_the_formula_for_hand_calculators_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: a = 0.9355727, b = 1.5165164, k = 1.8752."""
    assert normal_factor_by_formula(43, 0.90, 0.99) == pytest.approx(1.8752, abs=5e-5)


def test_the_handbooks_example_gives_its_upper_limit() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: mean 97.07, standard deviation 0.0268."""
    assert 97.07 + normal_factor_by_formula(43, 0.90, 0.99) * 0.0268 == pytest.approx(97.1203, abs=5e-5)


@pytest.mark.parametrize(
    ("coverage", "confidence", "factors"),
    [
        (0.90, 0.95, (3.4066, 2.3546, 1.9260, 1.7773, 1.6456, 1.5267)),
        (0.99, 0.95, (5.7411, 3.9811, 3.2952, 3.0639, 2.8624, 2.6840)),
        (0.999, 0.95, (7.5019, 5.2033, 4.3182, 4.0222, 3.7656, 3.5395)),
        (0.999, 0.99, (11.6493, 6.6054, 5.0012, 4.5077, 4.0971, 3.7482)),
    ],
)
def test_factors_for_5_to_100_values(coverage: float, confidence: float, factors: tuple[float, ...]) -> None:
    """One-sided normal tolerance factors for n = 5, 10, 20, 30, 50, 100 (as tabled after Owen 1963)."""
    found = [normal_factor(n, coverage, confidence) for n in (5, 10, 20, 30, 50, 100)]
    assert found == pytest.approx(factors, abs=6e-5)


def test_the_factor_of_few_values_keeps_its_promise_by_simulation() -> None:
    """In 95 of 100 samples of five, the bound covers 99 % of the population it was drawn from."""
    rng = np.random.default_rng(3)
    samples = rng.normal(size=(20_000, 5))
    bounds = samples.mean(axis=1) + normal_factor(5, 0.99, 0.95) * samples.std(axis=1, ddof=1)
    held = float(np.mean(bounds >= 2.3263479))  # Phi^-1(0.99)
    assert held == pytest.approx(0.95, abs=0.005)


@pytest.mark.parametrize(("coverage", "confidence", "n"), [(0.95, 0.95, 59), (0.99, 0.95, 299), (0.99, 0.99, 459)])
def test_so_many_values_make_their_largest_a_bound(coverage: float, confidence: float, n: int) -> None:
    """Wilks 1941."""
    assert wilks_n(coverage, confidence) == n
    assert wilks_confidence(n, coverage) >= confidence > wilks_confidence(n - 1, coverage)


def test_few_values_are_bounded_by_a_normal_spread() -> None:
    values = [3.0, 3.1, 3.05, 2.95, 3.2]
    bound = upper_bound(values)
    assert bound is not None
    assert not bound.distribution_free
    assert bound.bound == pytest.approx(mean(values) + 5.7411 * stdev(values), rel=1e-4)


def test_many_values_are_bounded_by_their_largest() -> None:
    values = [float(value) for value in np.random.default_rng(1).exponential(size=300)]
    bound = upper_bound(values)
    assert bound is not None
    assert bound.distribution_free
    assert bound.bound == max(values)


def test_two_values_give_no_bound() -> None:
    assert upper_bound([1.0, 1.1]) is None


def test_equal_values_are_bounded_by_themselves() -> None:
    bound = upper_bound([2.0] * 4)
    assert bound is not None
    assert math.isclose(bound.bound, 2.0)


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(1, 0.9, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.0)])
def test_what_no_factor_exists_for_is_refused(n: int, coverage: float, confidence: float) -> None:
    with pytest.raises(ValueError, match=r"at least 2|between 0 and 1"):
        normal_factor(n, coverage, confidence)
