"""How streams began and came back, held against keeping every arrival."""

from itertools import pairwise
from unittest.mock import patch

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.health.presence.watch import HealthWatch
from busdoc.health.streams import arrivals
from busdoc.health.streams.arrivals import FirstArrivals
from busdoc.health.streams.silence import CONTEXT
from tests.health.made_traffic import MS, Maker, S, merged


@given(
    rows=st.lists(st.integers(0, 5), max_size=300),
    cuts=st.lists(st.integers(0, 300), max_size=8),
    few_rows=st.sampled_from([1, 7, 4096]),
)
@settings(max_examples=60)
def test_the_first_arrivals_of_each_stream_are_kept_wherever_the_blocks_are_cut(
    rows: list[int], cuts: list[int], few_rows: int
) -> None:
    with patch.object(arrivals, "_FEW_ROWS", few_rows):
        first_arrivals_are_kept(rows, cuts)


def first_arrivals_are_kept(rows: list[int], cuts: list[int]) -> None:
    row, t_ns = np.array(rows, np.int64), np.arange(len(rows), dtype=np.int64) * MS
    firsts = FirstArrivals()
    for low, high in pairwise(sorted({0, len(rows), *(min(cut, len(rows)) for cut in cuts)})):
        firsts.feed(row[low:high], t_ns[low:high])
    for stream in range(6):
        assert firsts.of(stream).tolist() == t_ns[row == stream][:CONTEXT].tolist()


def test_after_each_silence_the_next_arrivals_are_known() -> None:
    stream = Maker(seed=3).cyclic(0x18FF0131, 20 * MS, 30 * S).without(10 * S, 12 * S).without(20 * S, 21 * S)
    watch = HealthWatch()
    watch.feed(merged(stream))
    (found,) = watch.arrivals().values()
    back = [run for run in found.runs if len(run) and int(run[0]) > 5 * S]
    assert [run.tolist() for run in back] == [
        stream.t_ns[stream.t_ns >= from_ns][:CONTEXT].tolist() for from_ns in (12 * S, 21 * S)
    ]
    assert found.runs[0].tolist() == stream.t_ns[: len(found.runs[0])].tolist()
    assert (found.count, found.last_ns) == (len(stream.t_ns), int(stream.t_ns[-1]))
