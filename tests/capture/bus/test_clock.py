"""Adapters' stamps on one clock: whatever the stamps do, times stay near the truth and never pass the arrival."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.capture.bus.clock import LiveClock, StampClock
from tests.capture.live_doubles import MS, SECOND, START_NS


def truth(n: int, *, step_ns: int = 10 * MS) -> Int64Array:
    return START_NS + np.arange(n, dtype=np.int64) * step_ns


def delays(n: int, *, least_ns: int = 300_000, seed: int = 1) -> Int64Array:
    """What the way takes: never less than a little, now and then much more."""
    random = np.random.default_rng(seed)
    return (least_ns + random.exponential(500_000, n)).astype(np.int64)


def placed(stamp_ns: Int64Array, arrival_ns: Int64Array, *, batch: int = 5) -> Int64Array:
    clock = StampClock()
    pieces = []
    for first in range(0, len(stamp_ns), batch):
        rows = slice(first, first + batch)
        pieces.append(clock.place((stamp_ns[rows] / 1e9).tolist(), arrival_ns[rows]))
    return np.concatenate(pieces)


def in_order(arrival_ns: Int64Array) -> Int64Array:
    return np.maximum.accumulate(arrival_ns)


def test_stamps_in_unix_time_are_left_as_they_are() -> None:
    t_ns = truth(2000)
    given_ns = placed(t_ns, in_order(t_ns + delays(2000)))
    assert np.abs(given_ns - t_ns).max() <= 1000  # whole microseconds


def test_stamps_that_count_from_zero_are_moved_to_the_arrival_less_what_waiting_took() -> None:
    t_ns = truth(2000)
    given_ns = placed(t_ns - START_NS + 5 * SECOND, in_order(t_ns + delays(2000)))
    error_ns = given_ns - t_ns
    assert np.abs(error_ns[200:]).max() < 400_000
    assert np.abs(np.diff(given_ns[1100:2000]) - 10 * MS).max() < 50_000  # the stream's own rhythm is kept


@pytest.mark.parametrize("step_s", [3600, -3600, 0.7, -0.7, 30])
def test_a_laptop_clock_that_is_set_moves_no_frame_for_long(step_s: float) -> None:
    t_ns = truth(6000)
    stamp_ns = t_ns + np.where(np.arange(6000) < 2000, 0, round(step_s * SECOND))
    given_ns = placed(stamp_ns, in_order(t_ns + delays(6000)))
    error_ns = np.abs(given_ns - t_ns)
    assert error_ns[:2000].max() <= 1000
    assert error_ns[2400:].max() < 5 * MS
    worst_ns = round(abs(step_s) * SECOND) if abs(step_s) < 2 else 0  # a larger step no frame could have waited for
    assert error_ns.max() <= worst_ns + 5 * MS


def test_a_counter_of_milliseconds_that_wraps_at_32_bits_is_followed() -> None:
    t_ns = truth(6000)
    counted_ms = (t_ns - START_NS) // MS + (2**32 - 20_000)
    given_ns = placed(counted_ms % 2**32 * MS, in_order(t_ns + delays(6000)))
    assert np.abs(given_ns - t_ns).max() < 5 * MS


def test_a_quartz_that_drifts_fifty_parts_in_a_million_is_followed_for_an_hour() -> None:
    t_ns = truth(36_000, step_ns=100 * MS)
    stamp_ns = (t_ns - START_NS) + (t_ns - START_NS) * 50 // 1_000_000
    given_ns = placed(stamp_ns, in_order(t_ns + delays(36_000)), batch=2)
    assert np.abs(given_ns - t_ns)[20:].max() < 2 * MS


def test_without_stamps_the_arrival_counts() -> None:
    arrival_ns = truth(10) + 123_456
    assert StampClock().place([0.0] * 10, arrival_ns).tolist() == (arrival_ns // 1000 * 1000).tolist()


@settings(max_examples=60)
@given(
    stamp_s=st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=1, max_size=50),
    batch=st.integers(1, 20),
)
def test_whatever_an_adapter_says_no_time_is_after_the_arrival_or_long_before(stamp_s: list[float], batch: int) -> None:
    arrival_ns = truth(len(stamp_s))
    clock = StampClock()
    for first in range(0, len(stamp_s), batch):
        rows = slice(first, first + batch)
        given_ns = clock.place(stamp_s[rows], arrival_ns[rows])
        assert (given_ns <= arrival_ns[rows]).all()
        assert (given_ns >= arrival_ns[rows] - 2 * SECOND - 1000).all()


def test_the_clock_of_a_laptop_is_unix_time_and_goes_on() -> None:
    clock = LiveClock()
    first_ns, second_ns = clock.now_ns(), clock.now_ns()
    assert second_ns >= first_ns > START_NS


def test_a_clock_is_set_once_however_often_the_computer_interrupts_a_look(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each look at both clocks may be interrupted between them, and is then wrong by up to half of what it took."""
    random = np.random.default_rng(4)
    steady_ns, set_by_ns = [1_000], [0]

    def passes(usual_ns: int) -> None:
        steady_ns[0] += usual_ns + (int(random.integers(5 * MS, 80 * MS)) if random.random() < 0.3 else 0)

    def steady() -> int:
        passes(200)
        return steady_ns[0]

    def system() -> int:
        passes(200)
        return START_NS + steady_ns[0] + set_by_ns[0]

    monkeypatch.setattr("busdoc.capture.bus.clock._steady_ns", steady)
    monkeypatch.setattr("busdoc.capture.bus.clock.time.time_ns", system)
    clock = LiveClock()
    for by_s in (0, 3_600, 1_800):
        set_by_ns[0] = by_s * SECOND
        (moved_ns,) = {clock.moved_ns() for _ in range(500)}
        assert abs(moved_ns - by_s * SECOND) < MS
