"""What chance makes of values before dropouts, against scipy and against counting by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from busdoc.intermittent.precursors.covariate import area_interval
from busdoc.intermittent.precursors.covariate_ranking import combine, effective, rank_p, shifted_sums


@pytest.mark.parametrize("seed", range(5))
def test_the_rank_test_gives_what_scipys_mann_whitney_gives(seed: int) -> None:
    # H. B. Mann & D. R. Whitney, Annals of Mathematical Statistics 18 (1947) 50-60
    random = np.random.default_rng(seed)
    before, rest = random.normal(0.4, 1.0, 25), random.normal(0.0, 1.0, 20_000)
    everything = np.sort(np.concatenate((before, rest)))
    ahead = (np.searchsorted(everything, before) + 0.5) / len(everything) - 0.5
    expected = stats.mannwhitneyu(before, rest, alternative="greater", method="asymptotic", use_continuity=False)
    found = rank_p(float(ahead.mean()), 25.0)
    assert found == pytest.approx(expected.pvalue, rel=0.03)


@given(seed=st.integers(0, 1000), n=st.integers(1, 12))
@settings(max_examples=25)
def test_the_sums_over_shifts_are_those_counted_one_by_one(seed: int, n: int) -> None:
    random = np.random.default_rng(seed)
    values = random.normal(size=97)
    at = np.sort(random.integers(0, 97, n))
    expected = [values[(at + shift) % 97].sum() for shift in range(97)]
    np.testing.assert_allclose(shifted_sums(values, at), expected, atol=1e-9)


def test_dropouts_in_a_burst_count_once_where_the_value_drifts() -> None:
    slow = np.sin(2.0 * np.pi * np.arange(5000) / 5000)
    at = np.concatenate((np.arange(100, 110), np.arange(1350, 1360)))  # a quarter of a turn later: unrelated
    found = effective(shifted_sums(slow, at), 20, float(slow.var()))
    assert found == pytest.approx(2.0, rel=0.01)


def test_dropouts_in_a_burst_count_each_where_the_value_only_jitters() -> None:
    jitter = np.random.default_rng(1).normal(size=5000)
    at = np.concatenate((np.arange(100, 110), np.arange(2000, 2010)))
    assert effective(shifted_sums(jitter, at), 20, float(jitter.var())) > 17.0


def test_tests_that_say_the_same_pay_nothing_for_their_number() -> None:
    # Y. Liu & J. Xie, Journal of the American Statistical Association 115 (2020) 393-402
    assert combine(np.full(50, 0.003)) == pytest.approx(0.003)


def test_one_small_p_among_many_pays_as_by_bonferroni() -> None:
    assert combine(np.concatenate(([1e-9], np.full(99, 0.5)))) == pytest.approx(1e-7, rel=1e-6)


def test_combined_p_values_are_those_of_the_cauchy_distribution() -> None:
    p = np.array([0.01, 0.2, 0.6, 0.04])
    assert combine(p) == pytest.approx(stats.cauchy.sf(np.mean(stats.cauchy.isf(p))), rel=1e-9)


def test_p_values_that_are_chance_stay_chance_combined_however_they_hang_together() -> None:
    random = np.random.default_rng(3)
    shared = random.normal(size=(20_000, 1))
    p = stats.norm.sf(0.8 * shared + 0.6 * random.normal(size=(20_000, 30)))
    combined = np.array([combine(row) for row in p])
    assert (
        stats.binomtest(int((combined <= 0.01).sum()), 20_000, 0.01).pvalue > 1e-6 or np.mean(combined <= 0.01) < 0.01
    )


def test_the_interval_of_an_area_covers_as_often_as_it_says() -> None:
    # J. A. Hanley & B. J. McNeil, Radiology 143 (1982) 29-36
    random = np.random.default_rng(4)
    for shift in (0.3, 1.0, 2.0):
        truth = float(stats.norm.cdf(shift / np.sqrt(2.0)))
        covered = 0
        for _ in range(400):
            before = random.normal(shift, 1.0, 20)
            area = float(stats.norm.cdf(before).mean())  # against endless places
            low, high = area_interval(area, 20.0, 1e6)
            covered += low <= truth <= high
        assert 0.92 <= covered / 400 <= 1.0
