"""One excursion of a value that meets a whole burst of dropouts is one coincidence."""

import numpy as np
import pytest
from scipy import stats

from busdoc.intermittent.precursors.covariate_chance import by_spells


def test_a_burst_inside_one_rare_excursion_proves_nothing() -> None:
    is_beyond = np.zeros(7200, np.bool_)
    is_beyond[6500:6530] = True
    burst = np.array([300, 900, 1500, 2100, 3300, 4400, 5200, 6502, 6510, 6518, 6526], np.int64)
    assert by_spells(is_beyond, burst, 100) > 0.03


def test_as_many_dropouts_in_excursions_far_apart_prove_much() -> None:
    is_beyond = np.zeros(7200, np.bool_)
    for start in (500, 2000, 4000, 6500):
        is_beyond[start : start + 8] = True
    at = np.array([300, 504, 900, 1500, 2003, 3300, 4006, 5200, 6502], np.int64)
    assert by_spells(is_beyond, at, 100) < 1e-6


def test_single_dropouts_far_apart_are_the_binomial_case() -> None:
    """Against scipy.stats.binom."""
    is_beyond = np.arange(5000) % 50 == 0
    at = np.array([100, 1050, 2000, 3001, 4001], np.int64)
    assert by_spells(is_beyond, at, 20) == pytest.approx(stats.binom.sf(2, 5, 0.02))


def test_chance_keeps_its_word_for_bursts_and_slow_values() -> None:
    """Of records without any connection at most one in twenty has a p below 0.05."""
    rng = np.random.default_rng(3)
    n_small = 0
    for _ in range(300):
        centres = rng.integers(0, 6900, 5)
        at = np.unique(np.concatenate([centre + rng.integers(0, 60, 4) for centre in centres]))
        is_beyond = np.zeros(7200, np.bool_)
        for start in rng.integers(0, 7100, 4):
            is_beyond[start : start + int(rng.integers(5, 60))] = True
        n_small += by_spells(is_beyond, at, 100) <= 0.05
    assert stats.binomtest(n_small, 300, 0.05, alternative="greater").pvalue > 0.001
