"""Changes of payload bits that change seldom: on both paths, cut anywhere."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.health.streams.payload_bits import MOST_CHANGES, PayloadBits

BOTH_PATHS = pytest.mark.parametrize("compiled", [False, True], ids=["numpy", "compiled"])
Found = list[tuple[int, int, int, list[int]]]


def followed(row: Int64Array, data: UInt8Array, cuts: list[int], *, compiled: bool) -> Found:
    """Feed a frame a nanosecond, cut into blocks."""
    watch = PayloadBits(compiled=compiled)
    for first, last in pairwise([0, *sorted(min(cut, len(row)) for cut in cuts), len(row)]):
        watch.feed(row[first:last], np.arange(first, last, dtype=np.int64), data[first:last])
    return [(one.row, one.bit, one.became, one.t_ns.tolist()) for one in watch.changes()]


def naive(row: Int64Array, data: UInt8Array) -> Found:
    """Compare frame by frame and bit by bit."""
    last: dict[int, int] = {}
    found: dict[tuple[int, int, int], list[int]] = {}
    for t, (stream, payload) in enumerate(zip(row.tolist(), data, strict=True)):
        number = int.from_bytes(payload.tobytes(), "little")
        for bit in range(64) if stream in last and stream < 256 else ():
            if (number ^ last[stream]) >> bit & 1:
                found.setdefault((stream, bit, number >> bit & 1), []).append(t)
        last[stream] = number
    kept = [
        (*key, times)
        for key, times in found.items()
        if len(times) + len(found.get((key[0], key[1], 1 - key[2]), ())) <= MOST_CHANGES
    ]
    return sorted(kept)


@BOTH_PATHS
@settings(max_examples=25)
@given(seed=st.integers(0, 1000), cuts=st.lists(st.integers(0, 400), max_size=6))
def test_changes_are_those_of_comparing_frame_by_frame_wherever_it_is_cut(
    compiled: bool, seed: int, cuts: list[int]
) -> None:
    rng = np.random.default_rng(seed)
    row = rng.choice(np.array([0, 1, 5, 255, 256, 300]), 400)
    data = np.where(rng.random((400, 8)) < 0.1, rng.integers(0, 256, (400, 8)), 7).astype(np.uint8)
    assert followed(row, data, cuts, compiled=compiled) == naive(row, data)


@BOTH_PATHS
@pytest.mark.parametrize("cuts", [[], [1500], list(range(0, 4000, 333))])
def test_a_bit_that_changes_all_the_time_is_forgotten_and_its_neighbours_are_not(
    compiled: bool, cuts: list[int]
) -> None:
    n = 4 * MOST_CHANGES
    data = np.zeros((n, 8), np.uint8)
    data[:, 0] = np.arange(n) % 2 + 2 * (np.arange(n) >= 1234)  # bit 0 toggles, bit 1 goes on once
    data[:, 7] = 128 * (np.arange(n) // 4 % 2)  # one change fewer than is too often
    found = followed(np.zeros(n, np.int64), data, cuts, compiled=compiled)
    assert [one[:3] for one in found] == [(0, 1, 1), (0, 63, 0), (0, 63, 1)]
    assert found[0][3] == [1234]
    assert len(found[1][3]) + len(found[2][3]) == MOST_CHANGES - 1


@BOTH_PATHS
def test_many_changes_at_once_find_room(compiled: bool) -> None:
    rng = np.random.default_rng(1)
    row = np.sort(rng.integers(0, 200, 12_000)) if not compiled else rng.integers(0, 200, 12_000)
    data = rng.integers(0, 256, (12_000, 8)).astype(np.uint8)
    found = followed(row, data, [7, 6_000], compiled=compiled)
    assert found == naive(row, data)


def test_nothing_fed_gives_nothing() -> None:
    assert list(PayloadBits().changes()) == []
