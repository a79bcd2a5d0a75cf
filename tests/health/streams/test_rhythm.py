"""Which streams are cyclic, with what period, jitter and deadline."""

import numpy as np
import pytest

from busdoc.arrays import Int64Array
from busdoc.health.controller import StreamHealth
from busdoc.health.streams.interval import N_BINS, bin_edges_ns, interval_bin
from busdoc.health.streams.rhythm import declared_rhythm, learn_rhythm
from busdoc.machine.controller_spec import PeriodFrom
from tests.health.made_traffic import MS, Maker, S, Sent, health_of, merged

ID = 0x18FF0131


def learnt(t_ns: Int64Array) -> StreamHealth:
    """Give what a watch learns of a single stream."""
    (controller,) = health_of(merged(Sent(id=ID, t_ns=t_ns))).controllers
    return controller.streams[0]


def from_intervals(dt_ns: list[int]) -> StreamHealth:
    return learnt(np.cumsum(np.array([0, *dt_ns], np.int64)))


def test_bins_agree_with_their_edges() -> None:
    rng = np.random.default_rng(3)
    intervals = np.exp(rng.uniform(np.log(1e4), np.log(4e12), 20_000)).astype(np.int64)
    expected = np.searchsorted(bin_edges_ns(), intervals, side="right") - 1
    assert (interval_bin(intervals) == np.minimum(expected, N_BINS - 1)).all()


@pytest.mark.parametrize("period_ms", [5, 10, 50, 100, 1000, 5000])
@pytest.mark.parametrize("jitter", [0.0, 0.02, 0.1])
def test_a_periodic_stream_is_cyclic_with_its_period(period_ms: int, jitter: float) -> None:
    stream = learnt(Maker().cyclic(ID, period_ms * MS, 400 * period_ms * MS, jitter=jitter).t_ns)
    assert stream.cyclic
    assert stream.period_ns == pytest.approx(period_ms * MS, rel=0.01)
    assert stream.deadline_ns is not None
    assert 2.2 <= stream.deadline_ns / (period_ms * MS) <= 3.0


def test_jitter_is_the_median_absolute_deviation_as_a_standard_deviation() -> None:
    # 1.482602218505602 = 1 / Phi^-1(3/4); scipy.stats.median_abs_deviation(scale="normal") of these intervals
    # without the 250 ms one, which is no part of the rhythm, gives 1.4826 ms
    intervals = [99, 100, 101, 100, 98, 102, 100, 250] * 20
    stream = from_intervals([ms * MS for ms in intervals])
    assert stream.jitter_ns == pytest.approx(1.4826 * MS, rel=1e-3)


def test_events_by_chance_are_not_cyclic() -> None:
    for seed in range(20):
        assert not learnt(Maker(seed=seed).events(ID, S // 5, 600 * S).t_ns).cyclic


def test_bursts_by_chance_are_not_cyclic() -> None:
    rng = np.random.default_rng(4)
    starts = np.sort(rng.integers(0, 600 * S, 200))
    t_ns = np.sort(np.concatenate([start + 400_000 * np.arange(rng.integers(5, 30)) for start in starts]))
    assert not learnt(t_ns).cyclic


def test_a_few_frames_in_one_go_are_no_rhythm() -> None:
    assert not from_intervals([600_000] * 8).cyclic


def test_several_frames_in_each_period_keep_the_period_of_the_group() -> None:
    # NMEA 2000 fast packets: six frames 3 ms apart, every second
    group = np.arange(6) * 3 * MS
    t_ns = (np.arange(120)[:, None] * S + group).reshape(-1)
    stream = learnt(t_ns)
    assert stream.cyclic
    assert stream.period_ns == pytest.approx(S - 15 * MS, rel=0.01)


def test_extra_frames_on_change_leave_the_period_and_bound_the_silence() -> None:
    maker = Maker(seed=6)
    ticks = maker.cyclic(ID, S, 600 * S).t_ns
    changes = maker.events(ID, 2 * S, 600 * S).t_ns
    stream = learnt(np.sort(np.concatenate((ticks, changes))))
    assert stream.cyclic
    assert stream.deadline_ns is not None
    assert S < stream.deadline_ns < 3 * S


def test_a_period_that_follows_the_engine_is_cyclic_up_to_its_slow_end() -> None:
    seconds = np.arange(0.0, 600.0, 0.001)
    rate_hz = 10.0 + 45.0 * (1.0 + np.sin(2 * np.pi * seconds / 40.0))  # 10 to 100 frames a second
    turns = np.cumsum(rate_hz) * 0.001
    times = np.interp(np.arange(1, int(turns[-1])), turns, seconds)
    stream = learnt((times * 1e9).astype(np.int64))
    assert stream.cyclic
    assert stream.deadline_ns is not None
    assert 200 * MS < stream.deadline_ns < 310 * MS


def test_single_lost_frames_do_not_reach_the_deadline() -> None:
    rng = np.random.default_rng(5)
    t_ns = Maker().cyclic(ID, 10 * MS, 600 * S).t_ns
    stream = learnt(t_ns[rng.random(len(t_ns)) > 0.01])
    assert stream.deadline_ns is not None
    assert stream.deadline_ns > 20.5 * MS


def test_a_declared_period_stands_until_the_stream_shows_otherwise() -> None:
    empty = np.zeros(N_BINS, np.int64)
    unknown = learn_rhythm(empty, empty, empty, empty, np.empty(0, np.int64))
    assert not unknown.cyclic
    declared = declared_rhythm(100 * MS, PeriodFrom.MAP, unknown, 3)
    assert declared.cyclic
    assert (declared.period_ns, declared.deadline_ns) == (100 * MS, 290 * MS)
    assert not declared_rhythm(100 * MS, PeriodFrom.MAP, unknown, 200).cyclic


def silences_of(first: int, then: int, share: float, n: int = 9_000) -> list[int]:
    """Give intervals of 100 ms, some of which are silences of `first` to `then` periods, evenly spread."""
    rng = np.random.default_rng(6)
    lost = rng.random(n) < share
    return [int(one) for one in np.where(lost, rng.integers(first * 100, then * 100 + 1, n), 100)]


@pytest.mark.parametrize("share", [0.002, 0.01, 0.033])
@pytest.mark.parametrize(("first", "then"), [(11, 11), (7, 24), (4, 20)])
def test_silences_again_and_again_are_no_waits_for_a_busy_bus(first: int, then: int, share: float) -> None:
    intervals = silences_of(first, then, share)
    (controller,) = health_of(merged(Sent(id=ID, t_ns=np.cumsum(np.array([0, *intervals], np.int64) * MS)))).controllers
    n_lost = sum(one > 100 for one in intervals)
    assert controller.dropouts >= 0.95 * n_lost


def test_the_longer_a_wait_the_rarer_it_is_so_that_a_queue_is_no_loss() -> None:
    rng = np.random.default_rng(7)
    waits = np.where(rng.random(20_000) < 0.02, rng.exponential(250.0, 20_000), 0.0)
    t_ns = np.cumsum(np.clip(100 + waits, 0, 2_000) * MS).astype(np.int64)
    (controller,) = health_of(merged(Sent(id=ID, t_ns=t_ns))).controllers
    assert controller.streams[0].cyclic
    assert controller.dropouts == 0
