"""Doubles for listening: a clock that goes on only when told, and adapters that give what a script says."""

import os
import threading
from collections import deque
from collections.abc import Iterable

import can

from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress
from busdoc.errors import BusError

START_NS = 1_764_000_000 * 10**9
MS = 1_000_000
SECOND = 1_000_000_000


def multicast_group(n: int) -> str:
    """Give an address for UDP multicast that no other test process uses at the same time."""
    number = os.getpid()
    return f"239.{100 + n}.{number >> 8 & 0xFF}.{number & 0xFF}"


class TestClock:
    """Time that goes on when somebody waits, or when a test says so."""

    __test__ = False

    def __init__(self) -> None:
        self.t_ns = START_NS
        self.waits: list[float] = []
        self.set_by_ns = 0
        """By how much the system's clock was set since."""

    def now_ns(self) -> int:
        return self.t_ns

    def wait(self, event: threading.Event, seconds: float) -> None:
        self.waits.append(seconds)
        self.t_ns += round(seconds * 1e9)

    def moved_ns(self) -> int:
        return self.set_by_ns

    def pass_s(self, seconds: float) -> None:
        self.t_ns += round(seconds * 1e9)


class ScriptedAdapter:
    """Gives messages or raises errors in the order put in; waits out its time when there is nothing."""

    def __init__(self, clock: TestClock, script: Iterable[can.Message | Exception] = ()) -> None:
        self._clock = clock
        self._script: deque[can.Message | Exception] = deque(script)
        self.closed = False

    def put(self, *things: can.Message | Exception) -> None:
        self._script.extend(things)

    def recv(self, timeout: float | None = None) -> can.Message | None:
        if not self._script:
            self._clock.pass_s(timeout or 0.0)
            return None
        thing = self._script.popleft()
        if isinstance(thing, Exception):
            raise thing
        return thing

    def shutdown(self) -> None:
        self.closed = True


class ScriptedDrops:
    """Says how many frames an operating system dropped."""

    def __init__(self) -> None:
        self.n = 0

    def count(self) -> int:
        return self.n

    def close(self) -> None:
        pass


class ScriptedOpener:
    """Opens the adapters it was given one after the other; `None` is an attempt that fails."""

    def __init__(self, clock: TestClock, *adapters: ScriptedAdapter | None, listen_only: bool | None = True) -> None:
        self.drops: ScriptedDrops | None = None
        self.sent_here = False
        self._clock = clock
        self._adapters = deque(adapters)
        self._listen_only = listen_only
        self.tried: list[tuple[int, BusAddress]] = []

    def bring(self, adapter: ScriptedAdapter) -> None:
        self._adapters.append(adapter)

    def __call__(self, address: BusAddress) -> OpenAdapter:
        self.tried.append((self._clock.t_ns, address))
        adapter = self._adapters.popleft() if self._adapters else None
        if adapter is None:
            raise BusError(f"{address.name} does not open: no such device.")
        return OpenAdapter(
            adapter=adapter,
            interface="virtual",
            bitrate=address.bitrate,
            listen_only=self._listen_only,
            note="",
            drops=self.drops,
            sent_here=self.sent_here,
        )


def frame(stamp_ns: int, id_: int = 0x123, data: bytes = b"\x01\x02") -> can.Message:
    """Make a frame that the adapter stamps so."""
    return can.Message(timestamp=stamp_ns / 1e9, arbitration_id=id_, is_extended_id=id_ > 0x7FF, data=data)


def address(name: str = "virtual:can0", bitrate: int | None = None) -> BusAddress:
    interface, _, channel = name.partition(":")
    return BusAddress(interface=interface, channel=channel, bitrate=bitrate)
