"""Intervals of chosen streams, whatever the cuts between blocks."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock
from busdoc.decode.signals.stream_intervals import StreamIntervals
from busdoc.decode.signals.streams import stream_key
from tests.decode.frame_text import cut_at, frames_block

HOPPER = (0, True, 0x18FF1031)
FAN = (1, False, 0x201)
Stream = tuple[int, bool, int]


def measured(blocks: list[FrameBlock]) -> dict[Stream, list[float]]:
    intervals = StreamIntervals({stream_key(*HOPPER): 100_000_000, stream_key(*FAN): 20_000_000})
    found: dict[Stream, list[float]] = {HOPPER: [], FAN: []}
    for block in blocks:
        for k, rows, interval_ms in intervals.feed(block):
            assert len(rows) == len(interval_ms)
            found[(HOPPER, FAN)[k]] += interval_ms.tolist()
    return found


def frames(steps_ms: list[int]) -> FrameBlock:
    at_ms = np.cumsum(steps_ms).tolist()
    streams = (HOPPER, FAN, (0, False, 0x201))
    return frames_block(
        (t * 1_000_000, streams[k % 3][0], streams[k % 3][2], streams[k % 3][1], bytes(8)) for k, t in enumerate(at_ms)
    )


def test_each_stream_has_its_own_intervals() -> None:
    found = measured([frames([10] * 9)])
    np.testing.assert_array_equal(found[HOPPER], [np.nan, 30.0, 30.0])
    np.testing.assert_array_equal(found[FAN], [np.nan, 30.0, 30.0])


def test_an_outage_is_no_interval() -> None:
    found = measured([frames([10, 10, 10, 1500, 10, 10, 10, 10, 10])])
    np.testing.assert_array_equal(found[HOPPER], [np.nan, np.nan, 30.0])  # 1.52 s are more than ten periods
    np.testing.assert_array_equal(found[FAN], [np.nan, np.nan, 30.0])


@given(steps=st.lists(st.integers(0, 60), min_size=1, max_size=40), cuts=st.lists(st.integers(0, 40), max_size=5))
@settings(max_examples=50)
def test_cutting_the_capture_anywhere_gives_the_same_intervals(steps: list[int], cuts: list[int]) -> None:
    block = frames(steps)
    whole, parts = measured([block]), measured(cut_at(block, cuts))
    for key, intervals in whole.items():
        np.testing.assert_array_equal(intervals, parts[key])
