"""A live session over buses that a program opened itself, as an iterator of what a screen would show."""

import time
from collections.abc import Callable, Iterator, Sequence
from types import TracebackType
from typing import TYPE_CHECKING

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.result import Result
from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.listening import FrameSource
from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.live.view import SessionView

if TYPE_CHECKING:
    import can

__all__ = ["LiveWatch", "lent_buses"]

_STEP_S = 0.05


class LiveWatch(Iterator[SessionView]):
    """Listens while it is iterated over; `close`, or the end of a `with`, ends it.

    Parameters
    ----------
    session : not started
    every_s : from one view to the next, s
    wait_s : waits so many seconds; a test hands in its own
    clock_s : a clock that only goes on, s
    """

    def __init__(
        self,
        session: LiveSession,
        *,
        every_s: float,
        wait_s: Callable[[float], None] = time.sleep,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._session = session
        self._every_s = every_s
        self._wait_s, self._clock_s = wait_s, clock_s
        self._due_s: float | None = None
        self._closed = False

    def __next__(self) -> SessionView:
        """Listen until the next view is due, and give it.

        Raises
        ------
        StopIteration : it was closed, or nothing more can come
        InputError : a bus that cannot be listened to
        """
        if self._closed:
            raise StopIteration
        if self._due_s is None:
            self._session.start()
            self._due_s = self._clock_s()
        elif self._session.source.finished:
            raise StopIteration
        self._due_s = max(self._due_s + self._every_s, self._clock_s())
        while True:
            self._session.step()
            left_s = self._due_s - self._clock_s()
            if left_s <= 0 or self._session.source.finished:
                return self._session.view()
            self._wait_s(min(left_s, _STEP_S))

    def log(self, kind: ActionKind | str, part: str | None = None, into: str | None = None, note: str = "") -> Action:
        """Log what somebody does at this instant, as the key on the screen does.

        Parameters
        ----------
        kind : as the journal has it, such as ``unplug``
        part, into : as the machine map names them

        Raises
        ------
        InputError : no such action, or a part that is not on the map
        """
        try:
            known = ActionKind(kind)
        except ValueError as error:
            advice = f"Write one of: {', '.join(ActionKind)}."
            raise InputError("log", "an action of the journal", f'"{kind}"', advice) from error
        return self._session.act(known, part, into, note=note)

    def result(self) -> Result:
        """Give the whole result so far, as the post-mortem of a recording does.

        Raises
        ------
        InputError : nothing was heard
        """
        return self._session.result()

    def close(self) -> None:
        """Stop listening; the buses stay open, since they are their owner's."""
        if not self._closed:
            self._closed = True
            self._session.close()

    def __enter__(self) -> "LiveWatch":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def lent_buses(buses: "Sequence[can.BusABC]") -> FrameSource:
    """Give buses that somebody else opened, and will close, as a source of frames; nothing is sent on them.

    Parameters
    ----------
    buses : python-can's, in the order of their channels

    Raises
    ------
    InputError : none
    """
    if not buses:
        raise InputError(
            "watch", "at least one bus", "none", 'Write for example can.Bus("can0", interface="socketcan").'
        )
    addresses = [_address(bus, n, len(buses)) for n, bus in enumerate(buses)]
    by_name = {address.name: bus for address, bus in zip(addresses, buses, strict=True)}

    def opened(address: BusAddress) -> OpenAdapter:
        return OpenAdapter(
            adapter=_Lent(by_name[address.name]),
            interface=address.interface or "",
            bitrate=None,
            listen_only=None,
            note="opened by the program that watches; whether it keeps silent is settled there",
        )

    return LiveBuses(addresses, opener=opened)


class _Lent:
    """A bus that is read and stays open."""

    def __init__(self, bus: "can.BusABC") -> None:
        self._bus = bus

    def recv(self, timeout: float | None = None) -> "can.Message | None":
        """Give the next frame, or None when none came in time."""
        return self._bus.recv(timeout)

    def shutdown(self) -> None:
        """Leave it open: it is its owner's."""


def _address(bus: "can.BusABC", n: int, of: int) -> BusAddress:
    """Name a bus as python-can names its kind, which decides how its error frames are read, and by its channel."""
    modules = [kind.__module__.split(".") for kind in type(bus).__mro__]
    kinds = [parts[2] for parts in modules if parts[:2] == ["can", "interfaces"] and len(parts) > 2]
    own = getattr(bus, "channel", None)
    channel = str(own if isinstance(own, str | int) else bus.channel_info)
    interface = kinds[0] if kinds else type(bus).__name__
    return BusAddress(interface=interface, channel=channel if of == 1 else f"{channel} ({n + 1})")
