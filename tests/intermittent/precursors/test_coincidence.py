"""Event coincidence analysis, held against the published formula, scipy and another library."""

import datetime

import numpy as np
import pandas as pd
import pytest
from EventAnalysis import EventAnalysis
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from busdoc.arrays import Int64Array
from busdoc.intermittent.dropouts import Watched
from busdoc.intermittent.precursors.coincidence import (
    at_least,
    coincide,
    covered_share,
    greatest_attained,
    poisson_null,
)

S = 10**9


def at(*seconds: float) -> Int64Array:
    return np.array([round(second * S) for second in seconds], np.int64)


EFFECTS = at(12, 101, 203, 305, 407, 550)
CAUSES = at(10, 100, 200, 301, 404)
CLOSE_CAUSES = at(10, 99, 100, 200, 301, 404)
"""Two of them so close that their windows overlap."""
instants = st.lists(st.integers(0, 1000), max_size=30).map(lambda t: np.array(sorted(t), np.int64) * S)


# Donges, Schleussner, Siegmund, Donner, Eur. Phys. J. Special Topics 225 (2016) 471-487: counts and both nulls
@pytest.mark.parametrize(
    ("causes", "window_s", "lag_s", "counts", "shares", "p_values"),
    [
        (CAUSES, 3, 0, (4, 4), (0.02475125, 0.02962749), (5.408981e-6, 3.761247e-6)),
        (CLOSE_CAUSES, 3, 0, (4, 5), (0.02962749, 0.02962749), (1.101657e-5, 1.335883e-7)),
        (CAUSES, 1, 2, (3, 3), (0.00833329, 0.00999159), (1.135831e-5, 9.825900e-6)),
    ],
)
def test_the_published_formula_gives_the_worked_values(
    causes: Int64Array,
    window_s: int,
    lag_s: int,
    counts: tuple[int, int],
    shares: tuple[float, float],
    p_values: tuple[float, float],
) -> None:
    found = coincide(EFFECTS, causes, window_s * S, lag_s * S)
    null = poisson_null(found, window_s * S, 600 * S, lag_s * S)
    assert (found.preceded.sum(), found.followed.sum()) == counts
    assert (null.precursor, null.trigger) == pytest.approx(shares, abs=5e-9)
    assert (null.p_precursor, null.p_trigger) == pytest.approx(p_values, rel=1e-6)


def test_the_rates_are_the_shares_of_either_kind() -> None:
    found = coincide(EFFECTS, CLOSE_CAUSES, 3 * S)
    assert found.precursor_rate == pytest.approx(4 / 6)
    assert found.trigger_rate == pytest.approx(5 / 6)


def test_both_ends_of_the_window_count() -> None:
    assert coincide(at(10), at(7), 3 * S).preceded.tolist() == [True]
    assert coincide(at(10), at(10), 3 * S).preceded.tolist() == [True]
    assert coincide(at(10), at(6.999999999), 3 * S).preceded.tolist() == [False]
    assert coincide(at(10), at(10.000000001), 3 * S).preceded.tolist() == [False]


def test_a_negative_lag_lets_a_cause_that_was_written_down_late_count() -> None:
    assert coincide(at(10), at(11), 3 * S, -2 * S).preceded.tolist() == [True]


# Windows that overlap count once: the exact null for given causes, with scipy's binomial for the tail
def test_the_union_of_windows_is_exact_where_they_overlap() -> None:
    share = covered_share(CLOSE_CAUSES, 3 * S, Watched.between(0, 600 * S))
    assert share == pytest.approx(16 / 600)
    assert float(at_least(4, 6, share)) == pytest.approx(7.265147e-6, rel=1e-6)
    assert float(at_least(1, 6, share)) == pytest.approx(0.149705, abs=1e-6)


def test_windows_are_cut_at_the_records_end_and_where_nothing_was_watched() -> None:
    watched = Watched.between(0, 100 * S, [(40 * S, 60 * S)])
    assert covered_share(at(98), 5 * S, watched) == pytest.approx(2 / 80)
    assert covered_share(at(38), 5 * S, watched) == pytest.approx(2 / 80)
    assert covered_share(at(50), 5 * S, watched) == 0.0
    assert covered_share(at(58), 5 * S, watched) == pytest.approx(3 / 80)


@settings(max_examples=60)
@given(causes=instants, window=st.integers(0, 50))
def test_the_covered_share_is_what_counting_instants_gives(causes: Int64Array, window: int) -> None:
    watched = Watched.between(0, 1100 * S, [(300 * S, 340 * S)])
    middles = [s for s in range(1100) if not 300 <= s < 340]  # windows begin and end at whole seconds
    hit = [bool(((s >= causes // S) & (s < causes // S + window)).any()) for s in middles]
    assert covered_share(causes, window * S, watched) == pytest.approx(np.mean(hit))


def test_chance_alone_covers_as_often_as_the_union_says() -> None:
    rng = np.random.default_rng(3)
    n_any = 0
    for _ in range(4000):
        effects = np.sort(rng.integers(0, 600 * S, 6))
        n_any += bool(coincide(effects, CLOSE_CAUSES, 3 * S).preceded.any())
    assert n_any / 4000 == pytest.approx(0.149705, abs=0.018)  # three standard deviations


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


@settings(max_examples=50)
@given(effects=instants, causes=instants, window=st.integers(0, 40), shift=st.integers(-(10**6), 10**6))
def test_shifting_the_clock_changes_nothing(effects: Int64Array, causes: Int64Array, window: int, shift: int) -> None:
    here = coincide(effects, causes, window * S)
    there = coincide(effects + shift * S, causes + shift * S, window * S)
    assert here.preceded.tolist() == there.preceded.tolist()
    assert here.followed.tolist() == there.followed.tolist()


@settings(max_examples=50)
@given(effects=instants, causes=instants, window=st.integers(0, 40))
def test_turning_time_around_exchanges_precursors_and_triggers(
    effects: Int64Array, causes: Int64Array, window: int
) -> None:
    forward = coincide(effects, causes, window * S)
    back = coincide(-causes[::-1], -effects[::-1], window * S)
    assert forward.followed.tolist() == back.preceded[::-1].tolist()
    assert forward.preceded.tolist() == back.followed[::-1].tolist()


@settings(max_examples=50)
@given(effects=instants, causes=instants, window=st.integers(0, 40))
def test_telling_every_cause_twice_changes_no_precursor(effects: Int64Array, causes: Int64Array, window: int) -> None:
    twice = np.sort(np.concatenate((causes, causes)))
    watched = Watched.between(0, 2000 * S)
    assert coincide(effects, twice, window * S).preceded.tolist() == (
        coincide(effects, causes, window * S).preceded.tolist()
    )
    assert covered_share(twice, window * S, watched) == covered_share(causes, window * S, watched)


def test_another_library_gives_the_same_p_values() -> None:
    """event-analysis knows whole units of time alone, so these are whole seconds."""
    rng = np.random.default_rng(8)
    last_s = 5000
    effects_s = np.unique(rng.integers(1, last_s, 40))
    causes_s = np.unique(np.concatenate((effects_s[:9] - rng.integers(0, 9, 9), rng.integers(1, last_s, 60)))).clip(0)
    happened = np.zeros((last_s + 1, 2), np.bool_)
    happened[effects_s, 0] = happened[causes_s, 1] = True
    index = pd.date_range("2026-03-02", periods=last_s + 1, freq="s")
    library = EventAnalysis(pd.DataFrame(happened, index=index), time_normalization_factor=1)
    *_, p_precursor, p_trigger = library.ECA(datetime.timedelta(seconds=8), tau=2, return_p_values=True)
    found = coincide(effects_s * S, causes_s * S, 8 * S, 2 * S)
    null = poisson_null(found, 8 * S, last_s * S, 2 * S)
    assert null.p_precursor == pytest.approx(p_precursor[0, 1], rel=1e-9)
    assert null.p_trigger == pytest.approx(p_trigger[0, 1], rel=1e-9)


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
