"""A capture carried over real buses on a clock that only the test moves: no frame is early or late by luck.

    block ─ send ─ python-can's bus, UDP multicast or a serial line ─ adapter ─ `LiveBuses` ─ take()
                                 └ the clock stands still until the frame has been read ┘

The serial line is a pseudo-terminal: a real serial path, with python-can's serial interface at its far end.
"""

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import can

from busdoc.capture.bus.adapter import Adapter, OpenAdapter, open_adapter
from busdoc.capture.bus.address import BusAddress, parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.frames import FrameBlock
from tests.capture.live_doubles import multicast_group
from tests.capture.sent_frames import message, serial_frame

__all__ = ["PATHS", "Carrier", "RealPath", "real_path"]

PATHS = ("virtual", "udp", "serial") if sys.platform != "win32" else ("virtual", "udp")
_STEP_NS = 40_000_000
_TRIES = 1200


@dataclass(frozen=True, slots=True, kw_only=True)
class RealPath:
    """One way to listen, and what puts a message of python-can on its other end."""

    kind: str
    address: str
    send: Callable[[can.Message], object]


@contextlib.contextmanager
def real_path(kind: str, n: int) -> Iterator[RealPath]:
    """Open a path by its kind, one of `PATHS`; `n` sets those of different tests apart."""
    if kind == "serial":
        import pty  # only where there is one
        import tty

        near, far = pty.openpty()
        tty.setraw(near)
        tty.setraw(far)
        try:
            address = f"serial:{os.ttyname(far)}"
            yield RealPath(kind=kind, address=address, send=lambda sent: os.write(near, serial_frame(sent)))
        finally:
            os.close(near)
            os.close(far)
        return
    if kind == "udp":
        group = multicast_group(n)
        with can.Bus(interface="udp_multicast", channel=group) as bus:
            yield RealPath(kind=kind, address=f"udp_multicast:{group}@250000", send=bus.send)
        return
    with can.Bus(interface="virtual", channel=f"path-{n}", preserve_timestamps=True) as bus:
        yield RealPath(kind=kind, address=f"virtual:path-{n}@250000", send=bus.send)


class _HandClock:
    """Time that stands still until it is moved."""

    def __init__(self, t_ns: int) -> None:
        self.t_ns = t_ns

    def now_ns(self) -> int:
        return self.t_ns

    def wait(self, event: threading.Event, seconds: float) -> None:
        """Come back at once: nothing happens while this clock stands."""

    def moved_ns(self) -> int:
        return 0


class _Awaited:
    """A real adapter that waits for the frames that were sent to it, and for nothing else."""

    def __init__(self, adapter: Adapter, keeps_stamps: bool) -> None:
        self._adapter = adapter
        self._keeps_stamps = keeps_stamps
        self.n_due = 0

    def recv(self, timeout: float | None = None) -> can.Message | None:
        if not self.n_due:
            return None
        found = self._adapter.recv(0.05)
        if found is not None:
            self.n_due -= 1
            if not self._keeps_stamps:
                found.timestamp = 0.0
        return found

    def shutdown(self) -> None:
        self._adapter.shutdown()


class Carrier:
    """A real path with its live buses, moved on by hand.

    Parameters
    ----------
    path : where the frames go
    start_ns : what the clock says at first

    A UDP datagram is stamped by the kernel, whose clock no test moves: such a frame has the time at which it is read.
    """

    def __init__(self, path: RealPath, start_ns: int) -> None:
        self._path = path
        self._adapter: _Awaited | None = None
        self._device_ns = start_ns - 4_000_000_000  # a serial device counts from its own start
        self.clock = _HandClock(start_ns)
        self.source = LiveBuses([parse_bus(path.address)], clock=self.clock, opener=self._open, threads=False)

    def carry(self, block: FrameBlock, step: Callable[[], object]) -> None:
        """Send each frame at its time and have it read; let `step` look every 40 ms."""
        for row, t_ns in enumerate(block.t_ns.tolist()):
            self.pass_until(t_ns, step)
            self._send(message(block, row, t_ns / 1e9))

    def pass_until(self, t_ns: int, step: Callable[[], object]) -> None:
        """Let the clock go on, and look every 40 ms."""
        while self.clock.t_ns // _STEP_NS < t_ns // _STEP_NS:
            self.clock.t_ns = (self.clock.t_ns // _STEP_NS + 1) * _STEP_NS
            self.source.turn()
            step()
        self.clock.t_ns = t_ns

    def _send(self, sent: can.Message) -> None:
        adapter = self._adapter
        assert adapter is not None, "the source has not been started"
        if self._path.kind == "serial":
            sent.timestamp -= self._device_ns / 1e9
        self._path.send(sent)
        adapter.n_due += 1
        for _ in range(_TRIES):
            self.source.turn()
            if not adapter.n_due:
                return
        raise AssertionError("a frame that was sent did not arrive within a minute")

    def _open(self, address: BusAddress) -> OpenAdapter:
        opened = open_adapter(address)
        self._adapter = _Awaited(opened.adapter, keeps_stamps=self._path.kind != "udp")
        return replace(opened, adapter=self._adapter)
