"""Streams are numbered as they appear, up to the most, wherever the blocks are cut and however few are looked at."""

from itertools import pairwise
from unittest.mock import patch

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.streams import stream_codes
from busdoc.health.streams.stream_codes import StreamCodes


def block(ids: list[int]) -> FrameBlock:
    n = len(ids)
    return FrameBlock(
        t_ns=np.arange(n, dtype=np.int64) * 1_000_000,
        channel=np.zeros(n, np.uint8),
        id=np.array(ids, np.uint32),
        flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
        length=(np.array(ids, np.int64) % 9).astype(np.uint8),
        data=np.zeros((n, 8), np.uint8),
    )


@given(
    ids=st.lists(st.integers(0, 40), max_size=200),
    cuts=st.lists(st.integers(0, 200), max_size=4),
    few_rows=st.sampled_from([1, 5, 4096]),
    most=st.sampled_from([3, 1000]),
)
@settings(max_examples=80)
def test_they_are_numbered_as_they_appear(ids: list[int], cuts: list[int], few_rows: int, most: int) -> None:
    codes = StreamCodes(most)
    expected: dict[int, int] = {}
    with patch.object(stream_codes, "_FEW_ROWS", few_rows):
        for low, high in pairwise(sorted({0, len(ids), *(min(cut, len(ids)) for cut in cuts)})):
            code, new = codes.of(block(ids[low:high]))
            before = len(expected)
            for one in ids[low:high]:
                if len(expected) < most:
                    expected.setdefault(one, len(expected))
            assert [key.id for key in new] == list(expected)[before:]
            assert code.tolist() == [expected.get(one, -1) for one in ids[low:high]]


@given(ids=st.lists(st.integers(0, 40), min_size=1, max_size=200), cut=st.integers(0, 200))
@settings(max_examples=40)
def test_of_each_stream_the_length_of_its_first_frame_is_known(ids: list[int], cut: int) -> None:
    watch, whole = HealthWatch(), block(ids)
    for low, high in ((0, cut), (cut, len(ids))):
        watch.feed(whole.slice(min(low, len(ids)), min(high, len(ids))))
    assert watch._observed.lengths == [one % 9 for one in dict.fromkeys(ids)]
