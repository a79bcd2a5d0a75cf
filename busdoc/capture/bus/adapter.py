"""Opens an adapter through python-can, told to keep silent wherever it can be told; nothing here transmits.

Where it cannot be told, the adapter acknowledges frames as any node does, and at a wrong bit rate it disturbs the bus:
so the rate is tried out only where listening is all it does, and one that an adapter does not have is refused.
"""

import contextlib
import errno
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from busdoc.capture.bus.address import BusAddress, bitrate_text, bus_settings, reason_of
from busdoc.capture.bus.link import UNKNOWN, LinkFacts, LinkWatch, link_facts
from busdoc.capture.bus.silence import (
    LISTEN_ONLY,
    RATE_ELSEWHERE,
    commands_to_listen,
    driver_says,
    silence_of,
    silencing,
)
from busdoc.capture.bus.socket import DropCounter, enlarge_buffer, keep_to_own_group, socket_of
from busdoc.errors import BusError, InputError

if TYPE_CHECKING:
    import can

__all__ = ["Adapter", "Drops", "Link", "OpenAdapter", "can_be_tried", "open_adapter"]

_OPTIONS: Mapping[str, Mapping[str, object]] = {
    "serial": {"timeout": 0.05},  # it waits that long whatever it is told; what is lost must show soon
    "socketcan": {"fd": True},  # without it the kernel keeps FD frames to itself
}
_WITHOUT_WIRES = ("udp_multicast", "virtual")
"""Interfaces whose frames may come from a program on this computer, by definition."""


class Adapter(Protocol):
    """What is used of python-can's bus: it is read, and let go of."""

    def recv(self, timeout: float | None = None) -> "can.Message | None":
        """Give the next frame, or None when none came in time."""
        ...

    def shutdown(self) -> None:
        """Let go of the adapter."""
        ...


class Drops(Protocol):
    """Tells how many frames were dropped because nobody read them in time."""

    def count(self) -> int:
        """Give the number so far."""
        ...

    def close(self) -> None:
        """Let go of what counts."""
        ...


class Link(Protocol):
    """Tells whether an interface of the operating system is still the one that was opened, and up."""

    def trouble(self) -> str:
        """Say in words what keeps it from being heard; nothing when all is well."""
        ...

    def close(self) -> None:
        """Let go of what asks."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenAdapter:
    """An adapter that listens."""

    adapter: Adapter
    interface: str
    bitrate: int | None
    listen_only: bool | None
    """True: it was told to keep silent. False: it cannot be told. None: that is settled outside the program."""
    note: str
    drops: "Drops | None" = None
    """Frames that the operating system dropped, where it counts them."""
    keeps_frames: bool = False
    """Whether frames wait safely, and with their time, while nobody reads for some milliseconds."""
    system_stamped: bool = False
    """Whether frames are stamped by the system's own clock as they come in."""
    sent_here: bool = False
    """Whether what sends may be a program of this computer: it stands still whenever this one does."""
    link: "Link | None" = None
    """The interface of the operating system, where it is one."""
    remarks: tuple[str, ...] = ()
    """What is to be told once, and written down."""

    def read(self, into: "list[can.Message]", at_most: int, wait_s: float) -> None:
        """Read what waits; where nothing is kept meanwhile, wait for one frame.

        Raises
        ------
        Exception : whatever the driver raises; what was read before stands in `into`
        """
        if self.system_stamped:
            _read_socket(self.adapter, into, at_most)
            return
        for _ in range(at_most if self.keeps_frames else 1):
            message = self.adapter.recv(0.0 if self.keeps_frames else wait_s)
            if message is None:
                return
            into.append(message)

    def close(self) -> None:
        """Let go of the adapter, whatever state it is in."""
        if self.drops is not None:
            self.drops.close()
        if self.link is not None:
            self.link.close()
        with contextlib.suppress(Exception):  # a driver whose adapter was pulled out refuses in ways of its own
            self.adapter.shutdown()


def can_be_tried(address: BusAddress) -> bool:
    """Whether the bit rate is not given anywhere, and may be tried out without disturbing the bus.

    Raises
    ------
    InputError : it is not given, and the adapter cannot keep silent; or as `open_adapter`
    """
    settings = bus_settings(address)
    interface = str(settings["interface"])
    if interface in RATE_ELSEWHERE or settings.get("bitrate") is not None or settings.get("timing") is not None:
        return False
    if interface in LISTEN_ONLY:
        return True
    raise InputError(
        f"--bus {address.name}",
        "a bit rate",
        "none, and this adapter cannot listen without taking part, so none is tried",
        f"Write for example --bus {address.name}@250000.",
    )


def open_adapter(address: BusAddress) -> OpenAdapter:
    """Open an adapter, listen only where it can be.

    Raises
    ------
    InputError : the interface or the section is not known, or what drives it is not installed
    BusError : it does not open now: not plugged in, in use, or not permitted
    """
    settings = bus_settings(address)
    interface = str(settings.pop("interface"))
    channel = settings.pop("channel", None)
    if isinstance(channel, str) and channel.isdigit() and interface not in RATE_ELSEWHERE:
        channel = int(channel)  # as python-can reads its own configuration
    _refuse_other_rates(address, interface, settings.get("bitrate"))
    facts = _facts(address, interface, channel, settings.get("bitrate"))
    options = {**_OPTIONS.get(interface, {}), **settings, **silencing(interface)}
    with driver_says() as said:
        bus = _opened(address, interface, channel, options)
    bitrate = facts.bitrate or options.get("bitrate")
    silence = silence_of(interface, str(channel), bus, said, facts)
    handle = socket_of(bus)
    keeps_frames = handle is not None and enlarge_buffer(handle)
    if handle is not None and interface == "udp_multicast":
        keep_to_own_group(handle)
    if handle is not None and interface == "socketcan":
        handle.setblocking(False)
    return OpenAdapter(
        adapter=bus,
        interface=interface,
        bitrate=int(bitrate) if isinstance(bitrate, int | str) else None,
        listen_only=silence.listen_only,
        note=silence.note,
        drops=None if handle is None else DropCounter.of(handle),
        keeps_frames=keeps_frames,
        system_stamped=handle is not None and interface == "socketcan",
        sent_here=interface in _WITHOUT_WIRES,
        link=LinkWatch(str(channel)) if interface == "socketcan" else None,
        remarks=silence.remarks,
    )


def _facts(address: BusAddress, interface: str, channel: object, bitrate: object) -> LinkFacts:
    """Ask the operating system about an interface of its own.

    Raises
    ------
    InputError : it runs at another bit rate than the one asked for
    BusError : it is not there, or down
    """
    if interface != "socketcan":
        return UNKNOWN
    name = str(channel)
    watch = LinkWatch(name)
    trouble = watch.trouble()
    watch.close()
    if trouble and not watch.is_there:
        raise BusError(f"{address.name} does not open: {name} is not there (ip link lists what is).")
    facts = link_facts(name)
    if trouble:
        rate = facts.bitrate or bitrate
        needs = "" if facts.bitrate or not facts.is_real else " and has no bit rate"
        commands = commands_to_listen(name, int(str(rate or 250_000))) if facts.is_real else f"ip link set {name} up"
        raise BusError(f"{address.name} does not open: {name} is down{needs}; as administrator: {commands}.")
    if facts.bitrate is not None and bitrate is not None and int(str(bitrate)) != facts.bitrate:
        asked, found = bitrate_text(int(str(bitrate))), bitrate_text(facts.bitrate)
        raise InputError(
            f"--bus {address.name}@{bitrate}",
            f"{name} at {asked}",
            f"it at {found}",
            f"Leave @{bitrate} out, or, as administrator: {commands_to_listen(name, int(str(bitrate)))}.",
        )
    return facts


def _refuse_other_rates(address: BusAddress, interface: str, bitrate: object) -> None:
    """Refuse a rate that python-can would silently replace by another one."""
    rates = _rates_of(interface)
    if bitrate is None or not rates or int(str(bitrate)) in rates:
        return
    raise InputError(
        f"--bus {address.name}@{bitrate}",
        f"a bit rate that {interface} adapters have",
        bitrate_text(int(str(bitrate))),
        f"It has {', '.join(f'{rate / 1000:g}' for rate in sorted(rates))} kbit/s; for others give its timing in "
        "python-can's configuration file.",
    )


def _rates_of(interface: str) -> Collection[int]:
    """Give the rates of an interface that takes another one for a rate it does not have; none for all others."""
    if interface != "pcan":
        return ()
    from can.interfaces.pcan.basic import PCAN_BITRATES  # what it does not list is opened at 500 kbit/s

    return tuple(PCAN_BITRATES)


def _read_socket(bus: "Adapter", into: "list[can.Message]", at_most: int) -> None:
    """Read what waits in a socket of the kernel, by python-can's own reading of a frame, without a look before each."""
    import can
    from can.interfaces.socketcan.socketcan import capture_message

    handle = bus.socket  # type: ignore[attr-defined]  # python-can's SocketcanBus
    while len(into) < at_most:
        try:
            message = capture_message(handle)
        except can.CanOperationError as error:
            if error.error_code == errno.EAGAIN:
                return
            raise
        if message is not None:
            into.append(message)


def _opened(address: BusAddress, interface: str, channel: object, options: dict[str, Any]) -> Adapter:
    import can  # 0.5 s

    try:
        return can.Bus(channel=channel, interface=interface, ignore_config=True, **options)  # type: ignore[arg-type]
    except can.CanInterfaceNotImplementedError as error:
        raise InputError(
            f"--bus {address.name}",
            f"the driver of {interface}",
            reason_of(error),
            "Install the adapter's driver and python-can's extra for it.",
        ) from error
    except (TypeError, KeyError, ValueError, AttributeError, ImportError, NameError) as error:
        raise InputError(
            f"--bus {address.name}",
            f"a channel and options that {interface} understands",
            reason_of(error),
            "Check the channel's name in the adapter's documentation.",
        ) from error
    except Exception as error:  # python-can's own, the system's, or whatever else a driver raises
        raise BusError(f"{address.name} does not open: {reason_of(error)}.") from error
