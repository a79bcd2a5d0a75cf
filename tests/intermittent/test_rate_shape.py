"""How often dropouts come and how they lie in time, against published values, scipy and frequency."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from busdoc.arrays import Float64Array, Int64Array
from busdoc.intermittent.binomial import binomial_interval
from busdoc.intermittent.dropouts import Watched
from busdoc.intermittent.rate_shape import Rate, Shape, measure_rate
from busdoc.intermittent.rate_tests import garwood, greenwood_p, halves_p, halving_seen_after, laplace_trend
from busdoc.isolation.suspects.dwell import quiet_to_prove
from busdoc.times import times_of_day_in

NS = 10**9
HOUR = 3600 * NS


def rate_of(at_h: list[float], hours: float = 10.0, **also: object) -> Rate:
    lost_ns = np.sort(np.array([round(h * HOUR) for h in at_h], np.int64))
    back_ns = [int(t) + 5 * NS for t in lost_ns]
    return measure_rate(lost_ns, back_ns, Watched.between(0, round(hours * HOUR)), **also)  # type: ignore[arg-type]


def shapes(rate: Rate) -> set[Shape]:
    return {test.shape for test in rate.tests if test.p <= 0.05}


@pytest.mark.parametrize(
    ("k", "low", "high"),
    [
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
    ],
)
def test_the_interval_of_a_rate_is_garwoods(k: int, low: float, high: float) -> None:
    """Garwood, Biometrika 28 (1936), 95 % two-sided; also by scipy's chi-square quantiles."""
    assert garwood(k) == pytest.approx((low, high), abs=5e-5)
    assert garwood(k)[1] == pytest.approx(stats.chi2.ppf(0.975, 2 * k + 2) / 2.0, rel=1e-12)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (0, 10, 0.0, 0.30850),
        (0, 20, 0.0, 0.16843),
        (0, 60, 0.0, 0.05963),
        (1, 10, 0.00253, 0.44502),
        (3, 20, 0.03207, 0.37893),
        (8, 10, 0.44390, 0.97479),
        (5, 5, 0.47818, 1.0),
    ],
)
def test_the_interval_of_a_share_is_clopper_and_pearsons(k: int, n: int, low: float, high: float) -> None:
    """Clopper & Pearson, Biometrika 26 (1934); also scipy.stats.binomtest."""
    assert binomial_interval(k, n) == pytest.approx((low, high), abs=5e-6)
    assert binomial_interval(k, n) == pytest.approx(tuple(stats.binomtest(k, n).proportion_ci()), rel=1e-9)


def test_a_rate_that_is_well_known_is_ruled_out_by_the_rule_of_three() -> None:
    """Hanley & Lippman-Hand, JAMA 249 (1983) 1743: no event in t puts the rate below 2.9957 / t."""
    assert quiet_to_prove(10**7, 10.0**7) == pytest.approx(2.995732, abs=1e-5)


def test_the_quiet_that_proves_a_repair_is_where_the_conditional_test_reaches_five_per_cent() -> None:
    """scipy.stats.poisson_means_test is another test; the binomial one is conditional and exact."""
    for n in (3, 10, 40):
        t = quiet_to_prove(n, 100.0)
        assert stats.binomtest(0, n, t / (100.0 + t), alternative="less").pvalue == pytest.approx(0.05, rel=1e-9)


def test_a_halving_is_seen_the_sooner_the_more_dropouts_there_were_and_never_with_few() -> None:
    assert halving_seen_after(4, 100.0) is None
    few, many = halving_seen_after(20, 100.0), halving_seen_after(80, 100.0)
    assert few is not None
    assert many is not None
    assert many < few


def test_the_time_until_a_halving_is_seen_has_the_power_that_it_promises() -> None:
    n, watched_s = 30, 1000.0
    t = halving_seen_after(n, watched_s)
    assert t is not None
    later = np.random.default_rng(3).poisson(0.5 * n * t / watched_s, 4000)
    p = stats.binom.cdf(later, later + n, t / (t + watched_s))
    assert 0.77 < np.mean(p <= 0.05) < 0.90


@pytest.mark.parametrize("n", [2, 3, 5, 9, 20])
def test_the_trend_of_few_dropouts_has_the_exact_null(n: int) -> None:
    """The sum of uniforms, by scipy.stats.irwinhall where there is one, else by simulation."""
    u = np.linspace(0.3, 0.95, n)
    z, p = laplace_trend(u)
    drawn = np.random.default_rng(1).random((200_000, n)).sum(axis=1)
    assert p == pytest.approx(2.0 * np.mean(drawn >= u.sum()), abs=0.006)
    assert z == pytest.approx((u.sum() - n / 2) / math.sqrt(n / 12))


def test_the_halves_are_compared_by_the_binomial_test() -> None:
    assert halves_p(3, 12) == pytest.approx(stats.binomtest(3, 15).pvalue, rel=1e-12)
    assert halves_p(1500, 1700) == pytest.approx(stats.binomtest(1500, 3200).pvalue, rel=1e-9)
    assert halves_p(0, 0) == 1.0


def test_thousands_of_dropouts_are_measured_like_few() -> None:
    rate = rate_of([0.0025 * k for k in range(1, 4000)])
    assert rate.n == 3999
    assert shapes(rate) == set()


@pytest.mark.parametrize("test", ["trend", "bursts"])
def test_steady_dropouts_show_a_shape_in_at_most_one_of_twenty_records(test: str) -> None:
    rng = np.random.default_rng(11)
    draws = [rng.random(int(rng.integers(3, 60))) for _ in range(1500)]
    of: list[float] = [laplace_trend(u)[1] if test == "trend" else greenwood_p(u) for u in draws]
    assert stats.binomtest(int(sum(p <= 0.05 for p in of)), len(of), 0.05).pvalue > 0.001


def test_dropouts_that_come_ever_more_often_get_worse() -> None:
    rate = rate_of([10.0 * (k / 20) ** 0.4 for k in range(1, 20)])
    assert Shape.TREND in shapes(rate)
    assert rate.worse > 2.0
    assert rate.first_half < rate.second_half


def test_a_steady_rate_has_no_shape() -> None:
    rng = np.random.default_rng(5)
    assert shapes(rate_of([float(h) for h in rng.uniform(0.0, 10.0, 25)])) == set()


def test_bursts_are_found_and_counted_once_in_the_trend() -> None:
    bursts = [1.0, 1.001, 1.002, 3.5, 3.501, 6.2, 8.7, 8.701, 8.702, 8.703, 8.704, 8.705, 8.706]
    rate = rate_of(bursts)
    assert Shape.BURSTS in shapes(rate)
    assert Shape.TREND not in shapes(rate)
    assert rate.n_bursts == 4


def test_a_time_of_day_is_found_over_several_days() -> None:
    at_h = [24.0 * day + hour for day in range(4) for hour in (5.0, 5.5, 6.1, 7.3)]
    rate = rate_of(at_h, hours=96.0, epoch=True)
    found = next(test for test in rate.tests if test.shape is Shape.TIME_OF_DAY)
    assert found.p <= 0.01
    assert "16 of 16 between 05:00 and 09:00 UTC" in found.words


def test_the_time_of_day_is_that_of_the_zone_that_is_written_and_summer_time_moves_it() -> None:
    """Each day at six by the wall in Berlin, five by UTC and from 29 March 2026 on four (IANA time zone database)."""
    first_h = 1_774_396_800 // 3600  # 2026-03-25 00:00 UTC
    at_h = [first_h + 24.0 * day + (5.1 if day < 4 else 4.1) + k / 10.0 for day in range(8) for k in range(2)]
    with times_of_day_in("Europe/Berlin"):
        lost_ns = np.array([round(h * HOUR) for h in at_h], np.int64)
        watched = Watched.between(first_h * HOUR, (first_h + 192) * HOUR, [])
        rate = measure_rate(lost_ns, [None] * len(lost_ns), watched, epoch=True)
    found = next(test for test in rate.tests if test.shape is Shape.TIME_OF_DAY)
    assert "16 of 16 between 03:00 and 07:00 Europe/Berlin" in found.words


def test_recording_only_in_the_morning_makes_no_time_of_day() -> None:
    nights = [(round((24.0 * day + 10.0) * HOUR), round((24.0 * day + 30.0) * HOUR)) for day in range(5)]
    rng = np.random.default_rng(8)
    at_h = [24.0 * day + float(h) for day in range(6) for h in rng.uniform(6.0, 10.0, 5)]
    watched = Watched.between(6 * HOUR, 130 * HOUR, nights)
    lost_ns = np.sort(np.array([round(h * HOUR) for h in at_h], np.int64))
    rate = measure_rate(lost_ns, [None] * len(lost_ns), watched, epoch=True)
    found = next(test for test in rate.tests if test.shape is Shape.TIME_OF_DAY)
    assert found.p > 0.05


def test_a_time_of_day_is_not_asked_for_in_a_few_hours() -> None:
    assert Shape.TIME_OF_DAY not in {test.shape for test in rate_of([1.0, 2.0, 3.0], epoch=True).tests}


def test_dropouts_soon_after_each_power_up_are_found() -> None:
    starts_ns = np.array([h * HOUR for h in range(10)], np.int64)
    rate = rate_of([h + 0.01 for h in range(9)], power_ups_ns=starts_ns)
    found = next(test for test in rate.tests if test.shape is Shape.AFTER_POWER_UP)
    assert found.p < 1e-6
    assert "9 of 9 within 60 s" in found.words


def test_what_was_not_watched_counts_in_no_rate() -> None:
    lost_ns = np.array([1, 2, 3], np.int64) * HOUR
    whole = measure_rate(lost_ns, [None] * 3, Watched.between(0, 10 * HOUR))
    half = measure_rate(lost_ns, [None] * 3, Watched.between(0, 10 * HOUR, [(5 * HOUR, 12 * HOUR)]))
    assert half.per_hour == pytest.approx(2.0 * whole.per_hour)


def test_outages_have_their_median_and_longest() -> None:
    lost_ns = np.array([1, 2, 3, 4], np.int64) * HOUR
    backs = [lost_ns[0] + 2 * NS, lost_ns[1] + 4 * NS, lost_ns[2] + 90 * NS, None]
    outage = measure_rate(lost_ns, backs, Watched.between(0, 10 * HOUR)).outage
    assert (outage.n, outage.still_away, outage.median_s, outage.longest_s) == (3, 1, 4.0, 90.0)


def test_until_ten_is_told_at_the_rate_so_far() -> None:
    assert rate_of([1.0, 2.0, 3.0, 4.0, 5.0]).needed.until_ten_s == pytest.approx(36_000.0)
    assert rate_of([0.5 * k for k in range(1, 12)]).needed.until_ten_s is None


@settings(max_examples=50)
@given(
    cuts=st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 1000)), max_size=6),
    at=st.lists(st.integers(0, 1000), min_size=1, max_size=20),
)
def test_watched_time_agrees_with_counting_every_second(cuts: list[tuple[int, int]], at: list[int]) -> None:
    spans = [(min(a, b), max(a, b)) for a, b in cuts]
    watched = Watched.between(0, 1000, spans)
    free = np.array([not any(a <= s < b for a, b in spans) for s in range(1000)])
    t_ns: Int64Array = np.array(at, np.int64)
    counted = [int(free[:t].sum()) for t in at]
    assert watched.before(t_ns).tolist() == counted
    assert watched.total_ns == int(free.sum())


@settings(max_examples=25)
@given(shift=st.integers(-(10**9), 10**9), at=st.lists(st.integers(1, 35_999), min_size=3, max_size=30, unique=True))
def test_shifting_the_clock_changes_no_rate_and_no_test(shift: int, at: list[int]) -> None:
    t_ns: Int64Array = np.sort(np.array(at, np.int64)) * NS
    first = measure_rate(t_ns, [None] * len(at), Watched.between(0, 10 * HOUR))
    moved = measure_rate(t_ns + shift * NS, [None] * len(at), Watched.between(shift * NS, 10 * HOUR + shift * NS))
    assert [t.p for t in first.tests] == [t.p for t in moved.tests]
    assert first.per_hour == moved.per_hour


def test_dropouts_scaled_in_time_have_the_same_shape() -> None:
    at: Float64Array = np.array([0.1, 0.11, 0.5, 0.9])
    slow = rate_of([float(h) for h in at * 10.0])
    fast = rate_of([float(h) for h in at], hours=1.0)
    assert [t.p for t in slow.tests] == pytest.approx([t.p for t in fast.tests])
