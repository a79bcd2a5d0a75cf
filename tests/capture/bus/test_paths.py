"""The same capture through python-can's virtual bus, UDP multicast and a serial line: the same frames, the same times.

The serial line is a pseudo-terminal: a real serial path, with python-can's serial interface at both ends.
"""

import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest

from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from tests.capture.live_doubles import multicast_group
from tests.capture.sent_frames import message, serial_frame

ROOT = Path(__file__).parents[3]
SECONDS = 1.5
HAS_PTY = sys.platform != "win32"


def some_capture() -> FrameBlock:
    """Take a little of the bundled machine's own traffic."""
    capture = open_capture([ROOT / "captures" / "street_sweeper" / "capture.log.gz"])
    block = FrameBlock.concat(list(capture.blocks()))
    first_ns = int(block.t_ns[0]) + 10_000_000_000
    rows = np.searchsorted(block.t_ns, (first_ns, first_ns + round(SECONDS * 1e9)))
    return block.slice(int(rows[0]), int(rows[1]))


def received(source: LiveBuses, block: FrameBlock, send: Callable[[int, float], None]) -> tuple[FrameBlock, float]:
    """Take while another thread sends at the capture's own pace; give the frames and the Unix time of the first."""
    source.start()
    after_s = ((block.t_ns - block.t_ns[0]) / 1e9).tolist()
    start_s = time.time() + 0.05
    pace = threading.Event()

    def send_all() -> None:
        for row, row_s in enumerate(after_s):
            pace.wait(max(0.0, start_s + row_s - time.time()))
            send(row, start_s + row_s)

    sender = threading.Thread(target=send_all)
    sender.start()
    pieces: list[FrameBlock] = []
    until_s = time.monotonic() + 20.0
    while sum(map(len, pieces)) < len(block) and time.monotonic() < until_s:
        pace.wait(0.02)
        taken = source.take()
        assert taken.gaps == ()
        pieces.append(taken.frames)
    sender.join()
    source.stop()
    pieces.append(source.take().frames)
    return FrameBlock.concat(pieces), start_s


def content(block: FrameBlock) -> list[tuple[int, int, str]]:
    return [(int(block.id[row]), int(block.flags[row]), block.payload(row).hex()) for row in range(len(block))]


def test_over_the_virtual_bus_frames_and_stamps_are_the_same() -> None:
    block = some_capture()
    bus = can.Bus(interface="virtual", channel="same-capture", preserve_timestamps=True)
    source = LiveBuses([parse_bus("virtual:same-capture")])
    got, start_s = received(source, block, lambda row, stamp_s: bus.send(message(block, row, stamp_s)))
    bus.shutdown()
    assert content(got) == content(block)
    error_ns = got.t_ns - (round(start_s * 1e9) + block.t_ns - block.t_ns[0])
    exact = np.abs(error_ns) <= 1_500  # a float of Unix seconds, whole microseconds
    assert exact.mean() > 0.95  # a busy computer may hand a frame on after later ones are sure
    assert np.abs(error_ns).max() < 100_000_000


def test_over_udp_multicast_frames_are_the_same_and_times_are_those_of_the_kernel() -> None:
    block = some_capture()
    bus = can.Bus(interface="udp_multicast", channel=multicast_group(1))
    source = LiveBuses([parse_bus(f"udp_multicast:{multicast_group(1)}@250000")])
    sent_ns: list[int] = []

    def send(row: int, _: float) -> None:
        sent_ns.append(time.time_ns())
        bus.send(message(block, row, 0.0))

    got, _ = received(source, block, send)
    bus.shutdown()
    assert content(got) == content(block)
    late_ns = got.t_ns - np.array(sent_ns)
    assert late_ns.min() > -2_000_000
    assert np.median(late_ns) < 2_000_000


@pytest.mark.skipif(not HAS_PTY, reason="this operating system has no pseudo-terminals")
def test_over_a_serial_line_frames_are_the_same_and_times_keep_its_milliseconds() -> None:
    import pty  # only where there is one
    import tty

    block = some_capture()
    near, far = pty.openpty()
    tty.setraw(near)
    tty.setraw(far)
    source = LiveBuses([parse_bus(f"serial:{os.ttyname(far)}")])
    device_start_s = time.time() - 4.0  # the device counts from its own start, in milliseconds

    def send(row: int, stamp_s: float) -> None:
        os.write(near, serial_frame(message(block, row, stamp_s - device_start_s)))

    got, start_s = received(source, block, send)
    os.close(near)
    os.close(far)
    assert content(got) == content(block)
    error_ns = got.t_ns - (round(start_s * 1e9) + block.t_ns - block.t_ns[0])
    spread_ns = np.abs(error_ns[20:] - np.median(error_ns[20:]))
    assert np.quantile(spread_ns, 0.9) <= 2_000_000  # cut to whole milliseconds, placed by the least delay so far
    assert np.abs(error_ns).max() < 100_000_000  # the line itself, on a busy computer
