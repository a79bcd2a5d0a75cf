"""The same capture over python-can's virtual bus, UDP multicast and a serial line: the same frames, the same times."""

import time
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from tests.capture.real_paths import PATHS, Carrier, real_path
from tests.capture.sent_frames import message
from tests.waiting import wait_for

ROOT = Path(__file__).parents[3]
SECONDS = 1.5
ERROR_NS = {"virtual": 1_500, "udp": 1_500, "serial": 1_000_000}
"""A float of Unix seconds in whole microseconds; the serial interface's stamps are whole milliseconds."""
DEVICE_NS = 4_000_000_000
"""A serial device counts from its own start."""
AT_ONCE = 50
"""Frames on their way: no socket's buffer is too small for them."""


@pytest.fixture(scope="module")
def block() -> FrameBlock:
    """Take a little of the bundled machine's own traffic."""
    capture = open_capture([ROOT / "captures" / "street_sweeper" / "capture.log.gz"])
    block = FrameBlock.concat(list(capture.blocks()))
    first_ns = int(block.t_ns[0]) + 10_000_000_000
    rows = np.searchsorted(block.t_ns, (first_ns, first_ns + round(SECONDS * 1e9)))
    return block.slice(int(rows[0]), int(rows[1]))


def content(block: FrameBlock) -> list[tuple[int, int, str]]:
    return [(int(block.id[row]), int(block.flags[row]), block.payload(row).hex()) for row in range(len(block))]


@pytest.mark.parametrize("kind", PATHS)
def test_frames_and_times_are_the_same(kind: str, block: FrameBlock) -> None:
    pieces: list[FrameBlock] = []
    with real_path(kind, 1) as path:
        carrier = Carrier(path, int(block.t_ns[0]))
        carrier.source.start()
        carrier.carry(block, lambda: pieces.append(carrier.source.take().frames))
        carrier.source.stop()
        pieces.append(carrier.source.take().frames)
    got = FrameBlock.concat(pieces)
    assert content(got) == content(block)
    assert np.abs(got.t_ns - block.t_ns).max() <= ERROR_NS[kind]


@pytest.mark.parametrize("kind", PATHS)
def test_read_by_its_own_thread_each_frame_lies_between_its_sending_and_its_taking(
    kind: str, block: FrameBlock
) -> None:
    """On the laptop's clock, by the adapter's own stamps: the kernel's of a datagram, the device's of a serial line."""
    sent_ns: list[int] = []
    pieces: list[FrameBlock] = []
    taken_ns: list[int] = []
    with real_path(kind, 2) as path, ExitStack() as stack:
        source = LiveBuses([parse_bus(path.address)])
        stack.callback(source.stop)  # a thread left behind would read what the next test sends
        source.start()

        def all_came() -> bool:
            taken = source.take()
            assert taken.gaps == ()
            pieces.append(taken.frames)
            taken_ns.extend([time.time_ns()] * len(taken.frames))
            return len(taken_ns) == len(sent_ns)

        for row in range(len(block)):
            sent_ns.append(time.time_ns())
            stamp_ns = sent_ns[-1] - (sent_ns[0] - DEVICE_NS if kind == "serial" else 0)
            path.send(message(block, row, stamp_ns / 1e9))
            if row % AT_ONCE == 0:
                wait_for(all_came)
        wait_for(all_came)
    got = FrameBlock.concat(pieces)
    assert content(got) == content(block)
    clocks_apart_ns = 2_000_000  # the laptop's clock may be steered meanwhile, the one that is never set is not
    assert (got.t_ns - np.array(sent_ns)).min() >= -clocks_apart_ns
    assert (np.array(taken_ns) - got.t_ns).min() >= -clocks_apart_ns
