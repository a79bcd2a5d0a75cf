"""The binomial distribution on counts of dropouts, held against scipy; and the share of the time after instants."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from busdoc.arrays import Int64Array
from busdoc.intermittent.binomial import at_least, greatest_attained
from busdoc.intermittent.dropouts import Watched

S = 10**9


def at(*seconds: float) -> Int64Array:
    return np.array([round(second * S) for second in seconds], np.int64)


CLOSE_CAUSES = at(10, 99, 100, 200, 301, 404)
"""Two of them so close that their windows overlap."""
instants = st.lists(st.integers(0, 1000), max_size=30).map(lambda t: np.array(sorted(t), np.int64) * S)


# Windows that overlap count once: the exact null for given causes, with scipy's binomial for the tail
def test_the_union_of_windows_is_exact_where_they_overlap() -> None:
    share = Watched.between(0, 600 * S).share_after(CLOSE_CAUSES, 3 * S)
    assert share == pytest.approx(16 / 600)
    assert float(at_least(4, 6, share)) == pytest.approx(7.265147e-6, rel=1e-6)
    assert float(at_least(1, 6, share)) == pytest.approx(0.149705, abs=1e-6)


# Donges, Schleussner, Siegmund, Donner, Eur. Phys. J. Special Topics 225 (2016) 471-487: 5 causes whose windows of 3 s
# do not overlap, 6 effects, 600 s; with Poisson causes a share of 1 - (1 - 3/600)^5 is covered
def test_windows_that_do_not_overlap_cover_what_the_published_formula_says_to_first_order() -> None:
    share = Watched.between(0, 600 * S).share_after(at(10, 100, 200, 301, 404), 3 * S)
    assert share == pytest.approx(0.02475125, rel=0.011)
    assert float(at_least(4, 6, 0.02475125)) == pytest.approx(5.408981e-6, rel=1e-6)
    assert float(at_least(4, 5, 0.02962749)) == pytest.approx(3.761247e-6, rel=1e-6)


def test_windows_are_cut_at_the_records_end_and_where_nothing_was_watched() -> None:
    watched = Watched.between(0, 100 * S, [(40 * S, 60 * S)])
    assert watched.share_after(at(98), 5 * S) == pytest.approx(2 / 80)
    assert watched.share_after(at(38), 5 * S) == pytest.approx(2 / 80)
    assert watched.share_after(at(50), 5 * S) == 0.0
    assert watched.share_after(at(58), 5 * S) == pytest.approx(3 / 80)


@settings(max_examples=60)
@given(causes=instants, window=st.integers(0, 50))
def test_the_covered_share_is_what_counting_instants_gives(causes: Int64Array, window: int) -> None:
    watched = Watched.between(0, 1100 * S, [(300 * S, 340 * S)])
    middles = [s for s in range(1100) if not 300 <= s < 340]  # windows begin and end at whole seconds
    hit = [bool(((s >= causes // S) & (s < causes // S + window)).any()) for s in middles]
    assert watched.share_after(causes, window * S) == pytest.approx(np.mean(hit))


@settings(max_examples=100)
@given(k=st.integers(0, 60), n=st.integers(0, 50), share=st.floats(0.0, 1.0))
def test_the_tail_is_scipys_binomial(k: int, n: int, share: float) -> None:
    assert float(at_least(k, n, share)) == pytest.approx(binom.sf(k - 1, n, share), rel=1e-9, abs=1e-300)


def test_the_tail_bounds_that_of_unequal_chances() -> None:
    chances = np.array([0.0, 0.0, 0.1, 0.3, 0.3, 0.05, 0.02, 0.4])
    added = np.ones(1)
    for chance in chances:
        added = np.convolve(added, (1.0 - chance, chance))
    for k in range(3, 9):  # from n times the mean, plus one, on (Hoeffding 1956)
        assert float(at_least(k, 8, float(chances.mean()))) >= added[k:].sum()


@given(n=st.integers(0, 40), share=st.floats(0.0, 0.9), at_most=st.floats(0.0, 1.0))
@settings(max_examples=80)
def test_the_greatest_p_that_counting_reaches_is_scipys_next_lower_one(n: int, share: float, at_most: float) -> None:
    reached = [float(binom.sf(k - 1, n, share)) for k in range(n + 2)]
    expected = max(p for p in reached if p <= at_most * (1.0 + 1e-9))
    found = float(greatest_attained(np.array(n), np.array(share), np.array(at_most)))
    assert found == pytest.approx(expected, rel=1e-8, abs=1e-300)


@given(n=st.integers(1, 40), share=st.floats(0.001, 0.9), k=st.integers(0, 40))
@settings(max_examples=80)
def test_a_p_that_counting_gave_is_reached_by_itself(n: int, share: float, k: int) -> None:
    p = float(at_least(min(k, n), n, share))
    found = float(greatest_attained(np.array(n), np.array(share), np.array(5.0 * p / 5.0)))
    assert found == pytest.approx(p, rel=1e-8)


def test_counts_need_not_be_whole() -> None:
    assert binom.sf(4, 10, 0.1) < float(at_least(4.5, 10.0, 0.1)) < binom.sf(3, 10, 0.1)
    all_of_them = np.nextafter(9.3, 10.0)  # by rounding more than there are
    assert float(at_least(all_of_them, 9.3, 0.2)) == pytest.approx(0.2**9.3, rel=1e-9)
