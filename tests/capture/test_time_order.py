"""One file's frames brought into the order of time, and what becomes of a clock that misbehaves."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock
from busdoc.capture.order import WINDOW_NS, TimeOrder
from busdoc.capture.reading import ReadBlock, Reading
from tests.capture.random_frames import FEW

SECOND = 10**9
YEAR = 365 * 86_400 * SECOND
START = 1_700_000_000 * SECOND


def frames_at(t_ns: Int64Array, first_number: int = 0) -> FrameBlock:
    """Make frames whose identifiers count up in the order of the file."""
    n = len(t_ns)
    return FrameBlock(
        t_ns=t_ns.astype(np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.arange(first_number, first_number + n, dtype=np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.zeros(n, np.uint8),
        data=np.zeros((n, 8), np.uint8),
    )


def ordered(t_ns: Int64Array, cuts: tuple[int, ...] = ()) -> tuple[list[int], list[int], Reading]:
    """Give times and identifiers after ordering, of a file cut at `cuts`."""
    reading = Reading(Path("c.log"), chunk_bytes=1 if cuts else None)  # with cuts, blocks are given out at once
    order = TimeOrder(reading)
    edges = sorted({0, *(min(cut, len(t_ns)) for cut in cuts), len(t_ns)})
    given_out = []
    for first, last in pairwise(edges):
        given_out.append(order.feed(ReadBlock(frames=frames_at(t_ns[first:last], first), first_line=first + 1)))
    given_out.append(order.close())
    whole = FrameBlock.concat(given_out)
    return whole.t_ns.tolist(), whole.id.tolist(), reading


def steady(n: int, step_ns: int = SECOND // 100) -> Int64Array:
    return START + np.arange(n, dtype=np.int64) * step_ns


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.integers(0, 300), max_size=6),
    spice=st.sampled_from(["none", "disorder", "outliers", "steps", "all"]),
)
def test_cutting_the_file_anywhere_gives_the_same_frames_and_never_goes_back(
    seed: int, cuts: list[int], spice: str
) -> None:
    random = np.random.default_rng(seed)
    t_ns = steady(300)
    if spice in ("disorder", "all"):
        t_ns = t_ns + random.integers(-WINDOW_NS // 2, WINDOW_NS // 2, 300)
    if spice in ("outliers", "all"):
        t_ns[random.integers(0, 300, 12)] += random.choice([-1, 1], 12) * random.integers(2 * SECOND, 10 * YEAR, 12)
    if spice in ("steps", "all"):
        t_ns[random.integers(30, 270) :] += int(random.integers(-10 * YEAR, 10 * YEAR))
        t_ns[random.integers(30, 270) :] -= int(random.integers(0, YEAR))
    whole, cut = ordered(t_ns), ordered(t_ns, tuple(cuts))
    assert cut[:2] == whole[:2]
    assert cut[2].skipped.first == whole[2].skipped.first
    assert cut[2].gaps == whole[2].gaps
    assert cut[2].warnings == whole[2].warnings
    assert whole[0] == sorted(whole[0])
    assert len(whole[0]) + whole[2].skipped.total == 300


def test_disorder_within_the_window_is_sorted_and_equal_times_keep_the_files_order() -> None:
    t_ns = START + np.array([0, 5, 3, 3, 4, 9, 8, 20, 11], np.int64) * (SECOND // 20)
    times, numbers, reading = ordered(t_ns)
    assert times == sorted(t_ns.tolist())
    assert numbers == [0, 2, 3, 4, 1, 6, 5, 8, 7]
    assert reading.skipped.total == 0


@FEW
@given(seed=st.integers(0, 2**32 - 1))
def test_sorting_is_as_pythons_own_which_keeps_the_order_of_equals(seed: int) -> None:
    random = np.random.default_rng(seed)
    t_ns = START + random.integers(0, 20, 400) * (SECOND // 50)
    times, numbers, _ = ordered(t_ns, tuple(random.integers(0, 400, 3).tolist()))
    assert numbers == sorted(range(400), key=t_ns.tolist().__getitem__)
    assert times == sorted(t_ns.tolist())


def test_a_line_ten_years_ahead_is_dropped_counted_and_named() -> None:
    t_ns = steady(100)
    t_ns[40] += 10 * YEAR
    times, numbers, reading = ordered(t_ns)
    assert numbers == [number for number in range(100) if number != 40]
    assert times == [int(t) for t in np.delete(t_ns, 40)]
    assert [(skip.line, skip.reason) for skip in reading.skipped.first] == [
        (41, "its time is far ahead of its neighbours")
    ]


@pytest.mark.parametrize("at", [0, 99])
def test_an_outlier_at_either_end_is_dropped(at: int) -> None:
    t_ns = steady(100)
    t_ns[at] += 10 * YEAR
    assert ordered(t_ns)[1] == [number for number in range(100) if number != at]


def test_a_burst_of_wild_times_takes_nothing_else_with_it() -> None:
    t_ns = steady(100)
    t_ns[40:43] = [START + YEAR, 5, START + 3 * YEAR]
    assert ordered(t_ns)[1] == [number for number in range(100) if not 40 <= number < 43]


def test_a_clock_set_back_goes_on_where_the_recording_stood() -> None:
    t_ns = steady(200)
    t_ns[120:] -= 3600 * SECOND
    times, numbers, reading = ordered(t_ns)
    assert numbers == list(range(200))
    assert np.diff(times)[[118, 119, 120]].tolist() == [SECOND // 100, 1000, SECOND // 100]
    assert "line 121: the recorder's clock was set back by 1.0 hours" in reading.warnings[0]
    assert [(gap.from_ns, gap.to_ns) for gap in reading.gaps] == [(times[119], times[119] + 1000)]


def test_a_silence_is_no_step_of_the_clock() -> None:
    t_ns = steady(200)
    t_ns[50:] += 30 * SECOND
    t_ns[51:] += 7 * SECOND
    t_ns[199] += 3600 * SECOND
    times, _, reading = ordered(t_ns)
    assert times == t_ns.tolist()
    assert not reading.warnings
    assert not reading.gaps


def test_a_lasting_step_ahead_by_more_than_a_day_is_a_gap_of_the_recorder() -> None:
    t_ns = steady(200)
    t_ns[50:] += 3 * 86_400 * SECOND
    times, _, reading = ordered(t_ns)
    assert times == t_ns.tolist()
    assert [(gap.from_ns, gap.to_ns) for gap in reading.gaps] == [(times[49], times[50])]
    assert "line 51: time steps ahead by 3.0 days" in reading.warnings[0]


def test_a_recorder_that_started_in_1970_loses_its_first_frames_and_not_the_rest() -> None:
    t_ns = steady(100)
    t_ns[:5] -= START
    _, numbers, reading = ordered(t_ns)
    assert numbers == list(range(5, 100))
    assert reading.skipped.total == 5


def test_a_file_without_usable_times_is_held_in_bounded_memory() -> None:
    order = TimeOrder(Reading(Path("c.log")))
    n_out = 0
    for _ in range(40):
        n_out += len(order.feed(ReadBlock(frames=frames_at(np.zeros(1 << 16, np.int64)), first_line=1)))
    assert n_out > 20 << 16
    assert n_out + len(order.close()) == 40 << 16


def test_a_clock_that_runs_backwards_all_the_time_ends_in_reasonable_time_and_order() -> None:
    times, _, reading = ordered(START - np.arange(20_000, dtype=np.int64) * 2 * SECOND)
    assert times == sorted(times)
    assert len(times) + reading.skipped.total == 20_000
    assert len(reading.warnings) <= 10
