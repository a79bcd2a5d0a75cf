"""What measured values do before dropouts: sags, heat, drift, bursts, and what only looks like it."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from busdoc.arrays import Float64Array, Int64Array
from busdoc.decode.signals.cells import CellRows, CellSeries, cells_of
from busdoc.intermittent.dropouts import Dropouts, Watched
from busdoc.intermittent.precursors.covariate import Covariate, find_covariates
from busdoc.intermittent.precursors.covariate_features import FeatureKind, ends_of, features_of, places_of, plan_cells

NS = 1_000_000_000
HOUR_S = 3600
AWAY_S = 6.0
STEP_S = 0.1


def dropouts_at(at_s: Float64Array, *, seconds: int = HOUR_S, gaps_s: tuple[tuple[float, float], ...] = ()) -> Dropouts:
    """Let the hopper fall at these times, each time for a few seconds; its fastest stream has 100 ms."""
    seen_ns = (np.sort(at_s) * NS).astype(np.int64)
    cut_out = [(int(t), int(t) + round(AWAY_S * NS)) for t in seen_ns]
    cut_out += [(round(a * NS), round(b * NS)) for a, b in gaps_s]
    return Dropouts(
        controllers=("hopper",),
        last_seen_ns=seen_ns,
        onset_ns=seen_ns + 100_000_000,
        over_ns=seen_ns + round(AWAY_S * NS),
        watched=Watched.between(0, seconds * NS, cut_out),
    )


def held_against(
    dropouts: Dropouts, values: Float64Array, *, step_s: float = STEP_S, name: str = "Hopper.Supply", unit: str = "V"
) -> Covariate:
    """Hold one value, sampled evenly, against dropouts."""
    seconds = round(len(values) * step_s)
    plan = plan_cells(0, seconds * NS, [dropouts], 1)
    t_ns: Int64Array = np.round(np.arange(len(values)) * step_s * NS).astype(np.int64)
    rows = CellRows(1, plan.edges_ns)
    rows.take(0, cells_of(t_ns, plan.edges_ns), values)
    series = CellSeries(name=name, unit=unit, low=rows.low[0], high=rows.high[0], last=rows.last[0])
    (found,) = find_covariates([dropouts], [series], plan)
    return found


def calm(seed: int, n: int = round(HOUR_S / STEP_S)) -> Float64Array:
    return np.asarray(27.0 + 0.1 * np.random.default_rng(seed).normal(size=n), np.float64)


def with_sags(values: Float64Array, at_s: Float64Array, depth: float, length_s: float = 0.4) -> Float64Array:
    sagging = values.copy()
    for t in at_s:
        sagging[round((t - length_s) / STEP_S) : round(t / STEP_S) + 1] -= depth
    return sagging


def some_times(seed: int, n: int, seconds: int = HOUR_S) -> Float64Array:
    """Draw times, none within a minute of another."""
    places = np.random.default_rng(seed).permutation(np.arange(90, seconds - 60, 70))[:n]
    return np.sort(places + np.random.default_rng(seed + 1).random(len(places)))


def test_a_sag_before_the_dropouts_is_found_with_its_threshold() -> None:
    at_s = some_times(1, 19)
    found = held_against(dropouts_at(at_s), with_sags(calm(1), at_s[:17], 8.0))
    assert (found.kind, found.direction, found.n_beyond, found.n_dropouts) == (FeatureKind.MINIMUM, -1, 17, 19)
    assert found.p < 1e-12
    assert 18.5 < found.threshold_low <= found.threshold <= found.threshold_high < 27.0
    assert found.share_beyond == 0.0
    assert found.separates > 0.9


def test_the_sentence_says_how_low_how_long_before_and_how_often_else() -> None:
    at_s = some_times(1, 19)
    elsewhere_s = some_times(5, 20) + 30.0
    values = with_sags(with_sags(calm(1), at_s[:17], 8.0), elsewhere_s, 8.0)
    words = held_against(dropouts_at(at_s), values).words
    assert words.startswith("Hopper.Supply was below ")
    assert " V in the last 400 ms before 17 of 19 dropouts, and for " in words
    assert words.endswith(" % of the rest of the time.")


def test_what_happens_only_after_the_last_frame_is_no_precursor() -> None:
    at_s = some_times(2, 20)
    values = calm(2)
    for t in at_s:  # the voltage jumps when the load falls away
        values[round(t / STEP_S) + 2 : round(t / STEP_S) + 20] += 5.0
    assert held_against(dropouts_at(at_s), values).p > 0.001


def test_a_temperature_above_which_dropouts_come_is_found() -> None:
    random = np.random.default_rng(3)
    at = np.arange(0.0, 4 * HOUR_S, 1.0)
    wander = lfilter([1.0], [1.0, -np.exp(-1.0 / 80.0)], random.normal(size=len(at)))
    warm = 55.0 + 9.0 * wander / wander.std() + random.normal(0.0, 0.3, len(at))
    hot = np.flatnonzero((warm > 62.0) & (at > 90.0))
    at_s = np.sort(random.choice(hot, 30, replace=False)).astype(np.float64)
    at_s = at_s[np.diff(at_s, prepend=0.0) > 20.0]
    found = held_against(dropouts_at(at_s, seconds=4 * HOUR_S), warm, step_s=1.0, unit="degC")
    assert found.p < 1e-4
    assert found.direction == 1
    assert found.threshold == pytest.approx(62.0, abs=1.5)
    assert found.n_beyond >= 0.9 * found.n_dropouts


def test_the_area_is_that_of_scipys_mann_whitney() -> None:
    at_s = some_times(6, 15)
    values = with_sags(calm(6), at_s[:9], 0.15, length_s=2.0)
    dropouts = dropouts_at(at_s)
    found = held_against(dropouts, values)
    plan = plan_cells(0, HOUR_S * NS, [dropouts], 1)
    rows = CellRows(1, plan.edges_ns)
    t_ns = np.round(np.arange(len(values)) * STEP_S * NS).astype(np.int64)
    rows.take(0, cells_of(t_ns, plan.edges_ns), values)
    series = CellSeries(name="", unit="", low=rows.low[0], high=rows.high[0], last=rows.last[0])
    feature = next(
        one
        for one in features_of(series, plan, places_of(plan, dropouts))
        if (one.kind, one.window_ns) == (found.kind, round(found.window_s * NS))
    )
    rest = feature.rest[feature.is_far & ~np.isnan(feature.rest)]
    before = feature.before[~np.isnan(feature.before)]
    area = stats.mannwhitneyu(before, rest).statistic / (len(before) * len(rest))
    assert found.separates == pytest.approx(area if found.direction > 0 else 1.0 - area)


@pytest.mark.parametrize(
    "drift", [lambda at: at, np.square, lambda at: np.sin(2.0 * at)], ids=["line", "curve", "turn"]
)
def test_a_drift_is_no_cause_of_dropouts_that_come_ever_more_often(
    drift: Callable[[Float64Array], Float64Array],
) -> None:
    at = np.arange(round(HOUR_S / STEP_S)) * STEP_S / HOUR_S
    at_s = 90.0 + 3400.0 * np.random.default_rng(7).random(40) ** (1.0 / 3.0)
    at_s = np.sort(at_s)[np.diff(np.sort(at_s), prepend=0.0) > 2.0 * AWAY_S]
    values = drift(at) + 0.001 * np.random.default_rng(8).normal(size=len(at))
    assert held_against(dropouts_at(at_s), np.asarray(values, np.float64)).p > 0.001


def test_a_burst_of_dropouts_in_one_excursion_is_one_coincidence() -> None:
    at_s = np.concatenate((1000.0 + 20.0 * np.arange(10), [200.0, 700.0, 2100.0, 2900.0]))
    values = calm(9)
    values[round(950 / STEP_S) : round(1250 / STEP_S)] += 2.0
    assert held_against(dropouts_at(at_s), values).p > 0.001


def test_a_capture_gap_ends_the_windows() -> None:
    at_s = some_times(10, 12)
    gaps_s = tuple((float(t) - 30.0, float(t) - 3.0) for t in at_s)
    dropouts = dropouts_at(at_s, gaps_s=gaps_s)
    plan = plan_cells(0, HOUR_S * NS, [dropouts], 1)
    by_window = {one.window_ns: one for one in places_of(plan, dropouts)}
    m = len(plan.places_ns)  # places first, then dropouts
    assert by_window[2 * NS].usable[m:].all()
    assert not by_window[10 * NS].usable[m:].any()
    in_gap = (plan.places_ns > (at_s[0] - 30.0) * NS) & (plan.places_ns < (at_s[0] - 3.0) * NS)
    assert in_gap.any()
    assert not by_window[2 * NS].usable[:m][in_gap].any()


def test_windows_before_dropouts_hold_as_many_samples_of_the_controllers_own_signals_as_others() -> None:
    # windows that ended at the last frame itself would hold a sample too many, and lower minima by that alone
    random = np.random.default_rng(11)
    p = []
    for seed in range(40):
        at_s = np.round(some_times(seed, 45) / STEP_S) * STEP_S  # its last frame is one of its samples
        p.append(held_against(dropouts_at(at_s), random.normal(size=round(HOUR_S / STEP_S))).p)
    assert np.mean(np.array(p) < 0.05) <= 0.2
    assert min(p) > 1e-4


def test_windows_end_within_a_cycle_before_the_last_frame() -> None:
    dropouts = dropouts_at(some_times(12, 45))
    back_ns = dropouts.last_seen_ns - ends_of(dropouts)
    assert ((back_ns >= 0) & (back_ns < 100_000_000)).all()
    assert stats.kstest(back_ns / 1e8, "uniform").pvalue > 0.01


def test_the_cells_of_a_long_record_with_many_signals_stay_within_bounds() -> None:
    at_s = some_times(13, 300, seconds=10 * HOUR_S)
    dropouts = dropouts_at(at_s, seconds=10 * HOUR_S)
    for n_series in (1, 200, 540, 5000):
        plan = plan_cells(0, 10 * HOUR_S * NS, [dropouts], n_series)
        assert 12 * n_series * len(plan.edges_ns) < 200 << 20
        assert len(plan.places_ns) >= 50
        assert all(window_ns % plan.period_ns == 0 for window_ns in plan.windows_ns[1:])


def test_fewer_than_three_dropouts_prove_nothing() -> None:
    at_s = some_times(14, 2)
    dropouts = dropouts_at(at_s)
    plan = plan_cells(0, HOUR_S * NS, [dropouts], 1)
    assert find_covariates([dropouts], [], plan) == ()


@pytest.mark.parametrize("seed", range(3))
def test_shifting_the_clock_changes_nothing(seed: int) -> None:
    at_s = some_times(seed, 20)
    dropouts = dropouts_at(at_s)
    values = with_sags(calm(seed), at_s[:12], 1.0)
    shift_ns = 1_772_438_400 * NS
    later = Dropouts(
        controllers=dropouts.controllers,
        last_seen_ns=dropouts.last_seen_ns + shift_ns,
        onset_ns=dropouts.onset_ns + shift_ns,
        over_ns=dropouts.over_ns + shift_ns,
        watched=Watched(from_ns=dropouts.watched.from_ns + shift_ns, to_ns=dropouts.watched.to_ns + shift_ns),
    )
    plan = plan_cells(shift_ns, shift_ns + HOUR_S * NS, [later], 1)
    t_ns = np.round(np.arange(len(values)) * STEP_S * NS).astype(np.int64) + shift_ns
    rows = CellRows(1, plan.edges_ns)
    rows.take(0, cells_of(t_ns, plan.edges_ns), values)
    series = CellSeries(name="Hopper.Supply", unit="V", low=rows.low[0], high=rows.high[0], last=rows.last[0])
    (found,) = find_covariates([later], [series], plan)
    first = held_against(dropouts, values)
    assert found == first
