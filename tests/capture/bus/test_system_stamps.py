"""Stamps of the system's own clock: taken as they are however late they are read, and a clock that is set kept out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.bus.system_stamps import SystemStamps
from tests.capture.live_doubles import MS, SECOND, START_NS


def placed(stamps: SystemStamps, stamp_ns: list[int], arrival_ns: list[int]) -> list[int]:
    return [int(ns) for ns in stamps.place([ns / 1e9 for ns in stamp_ns], np.array(arrival_ns, np.int64))]


@given(late_ms=st.integers(0, 60_000), n=st.integers(1, 50))
def test_however_late_it_is_read_a_stamp_stands(late_ms: int, n: int) -> None:
    stamp_ns = [START_NS + k * MS for k in range(n)]
    assert placed(SystemStamps(), stamp_ns, [START_NS + late_ms * MS + n * MS] * n) == stamp_ns


@pytest.mark.parametrize("step_s", [3600, -3600, 0.5, -0.5])
@pytest.mark.parametrize("waiting", [0, 1, 7])
def test_what_the_clock_is_set_by_is_taken_out_from_the_frame_on_that_came_after(step_s: float, waiting: int) -> None:
    """The change is noticed while frames wait that were stamped before it, and after it."""
    step_ns, n = round(step_s * SECOND), 20
    true_ns = [START_NS + k * 10 * MS for k in range(n)]
    stamp_ns = [ns + (step_ns if k >= waiting else 0) for k, ns in enumerate(true_ns)]
    stamps = SystemStamps()
    before_ns = [START_NS - 20 * MS, START_NS - 10 * MS]
    assert placed(stamps, before_ns, before_ns) == before_ns
    stamps.clock_was_set(step_ns)
    assert placed(stamps, stamp_ns, [true_ns[-1] + 5 * MS] * n) == true_ns
    later_ns = [true_ns[-1] + SECOND]
    assert placed(stamps, [later_ns[0] + step_ns], later_ns) == later_ns


def test_when_all_that_waited_is_read_the_clock_counts_as_it_is_set_now() -> None:
    stamps = SystemStamps()
    stamps.clock_was_set(-300 * MS)
    stamps.all_before_are_placed()
    later_ns = START_NS + 10 * SECOND
    assert placed(stamps, [later_ns - 300 * MS], [later_ns]) == [later_ns]


def test_a_stamp_that_can_be_no_time_is_replaced_by_the_arrival() -> None:
    assert placed(SystemStamps(), [0, START_NS], [START_NS - MS, START_NS + MS]) == [START_NS - MS, START_NS]
