"""Corrections for many tests, held against published examples, statsmodels and scipy."""

import gc
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest, false_discovery_control
from statsmodels.stats.multitest import multipletests

from busdoc.arrays import Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.multiple_testing import attained, benjamini_hochberg, holm

# Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300, section 4 (p-values from memory)
PUBLISHED = np.array(
    [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
)

p_values = st.lists(st.floats(0.0, 1.0), max_size=40).map(lambda p: np.array(p, np.float64))


def test_the_published_example_rejects_four_by_false_discovery_rate() -> None:
    corrected = benjamini_hochberg(PUBLISHED)
    assert int((corrected <= 0.05).sum()) == 4
    expected = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486]
    expected += [0.581182, 0.714875, 0.753231, 0.813214, 1.0]
    assert corrected == pytest.approx(expected, abs=1e-6)


def test_the_published_example_rejects_three_by_family_wise_error() -> None:
    corrected = holm(PUBLISHED)
    assert int((corrected <= 0.05).sum()) == 3
    assert corrected[:4] == pytest.approx([0.0015, 0.0056, 0.0247, 0.114])


def test_four_p_values_come_out_as_by_hand() -> None:
    p = np.array([0.01, 0.04, 0.03, 0.005])
    assert holm(p) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert benjamini_hochberg(p) == pytest.approx([0.02, 0.04, 0.04, 0.02])


@settings(max_examples=100)
@given(p=p_values.filter(lambda p: len(p) > 0))
def test_both_corrections_agree_with_statsmodels_and_scipy(p: Float64Array) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gc, "collect", lambda: 0)  # statsmodels collects each time, which takes long beside all else
        expected = multipletests(p, method="holm")[1]
    assert holm(p) == pytest.approx(expected)
    assert benjamini_hochberg(p) == pytest.approx(false_discovery_control(p))


@settings(max_examples=50)
@given(p=p_values, seed=st.integers(0, 100))
def test_the_order_of_the_tests_does_not_matter(p: Float64Array, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(p))
    for correct in (holm, benjamini_hochberg):
        assert correct(p[order]).tolist() == correct(p)[order].tolist()


@settings(max_examples=50)
@given(p=p_values)
def test_a_correction_never_makes_a_finding_surer(p: Float64Array) -> None:
    assert np.all(benjamini_hochberg(p) >= p - 1e-12)
    assert np.all(holm(p) >= benjamini_hochberg(p) - 1e-12)


def counted(n: Int64Array, share: Float64Array) -> Callable[[float], Float64Array]:
    """Give how often tests that count n trials each show a p-value as small."""
    return attained([[one] for one in zip(n.tolist(), share.tolist(), strict=True)])


def test_tests_that_count_few_things_keep_the_family_wise_risk_and_find_more() -> None:
    rng = np.random.default_rng(31)
    n, share = rng.integers(3, 12, 200), np.exp(rng.uniform(np.log(0.005), np.log(0.4), 200))
    false = 0
    for _ in range(2000):
        p = np.minimum(at_least(rng.binomial(n, share), n, share), 1.0)
        false += bool((holm(p, attained=counted(n, share)) <= 0.05).any())
    assert binomtest(false, 2000, 0.05, alternative="greater").pvalue > 0.001
    n[0], share[0] = 3, 0.04
    p[0] = float(at_least(3, 3, 0.04))  # all three of them
    assert holm(p, attained=counted(n, share))[0] < 0.004 < 0.01 < holm(p)[0]


@settings(max_examples=50)
@given(seed=st.integers(0, 1000), n_tests=st.integers(1, 40))
def test_what_tests_can_show_only_lowers_the_correction_and_never_below_the_p(seed: int, n_tests: int) -> None:
    rng = np.random.default_rng(seed)
    n, share = rng.integers(1, 12, n_tests), rng.uniform(0.0, 0.5, n_tests)
    p = np.minimum(at_least(rng.integers(0, n + 1), n, share), 1.0)
    corrected = holm(p, counted(n, share))
    assert np.all(corrected <= holm(p) + 1e-12)
    assert np.all(corrected >= p - 1e-12)
    np.testing.assert_allclose(holm(p, lambda t: np.full(n_tests, t)), holm(p), rtol=1e-12)


def test_nothing_tried_gives_nothing() -> None:
    assert len(holm(np.empty(0))) == 0
    assert len(benjamini_hochberg(np.empty(0))) == 0


@pytest.mark.parametrize("p", [[-0.1], [1.1], [float("nan")]])
def test_what_is_no_probability_is_refused(p: list[float]) -> None:
    with pytest.raises(ValueError, match="p-values"):
        holm(np.array(p))
