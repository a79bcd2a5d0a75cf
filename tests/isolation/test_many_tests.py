"""Corrections for many tests, held against published examples, statsmodels and scipy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import false_discovery_control
from statsmodels.stats.multitest import multipletests

from busdoc.arrays import Float64Array
from busdoc.isolation.many_tests import benjamini_hochberg, holm

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


@settings(max_examples=100, deadline=None)
@given(p=p_values.filter(lambda p: len(p) > 0))
def test_both_corrections_agree_with_statsmodels_and_scipy(p: Float64Array) -> None:
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert benjamini_hochberg(p) == pytest.approx(false_discovery_control(p))


@settings(max_examples=50, deadline=None)
@given(p=p_values, seed=st.integers(0, 100))
def test_the_order_of_the_tests_does_not_matter(p: Float64Array, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(p))
    for correct in (holm, benjamini_hochberg):
        assert correct(p[order]).tolist() == correct(p)[order].tolist()


@settings(max_examples=50, deadline=None)
@given(p=p_values)
def test_a_correction_never_makes_a_finding_surer(p: Float64Array) -> None:
    assert np.all(benjamini_hochberg(p) >= p - 1e-12)
    assert np.all(holm(p) >= benjamini_hochberg(p) - 1e-12)


def test_nothing_tried_gives_nothing() -> None:
    assert len(holm(np.empty(0))) == 0
    assert len(benjamini_hochberg(np.empty(0))) == 0


@pytest.mark.parametrize("p", [[-0.1], [1.1], [float("nan")]])
def test_what_is_no_probability_is_refused(p: list[float]) -> None:
    with pytest.raises(ValueError, match="p-values"):
        holm(np.array(p))
