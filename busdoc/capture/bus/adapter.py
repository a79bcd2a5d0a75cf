"""Opens an adapter through python-can, told to keep silent wherever it can be told; nothing here transmits.

Which option makes an adapter listen only differs from interface to interface; the table below has all that python-can
knows (its documentation of each interface's constructor). Where there is none, the adapter acknowledges frames as any
node does, and at a wrong bit rate it disturbs the bus: so the rate is tried out only where listening is all it does.
"""

import contextlib
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from busdoc.capture.bus.address import BusAddress, bus_settings, reason_of
from busdoc.capture.bus.socket import (
    UNKNOWN,
    DropCounter,
    InterfaceFacts,
    enlarge_buffer,
    interface_facts,
    keep_to_own_group,
    socket_of,
)
from busdoc.errors import BusError, InputError

if TYPE_CHECKING:
    import can

__all__ = ["Adapter", "Drops", "OpenAdapter", "can_be_tried", "open_adapter"]

_LISTEN_ONLY: Mapping[str, Mapping[str, object]] = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},  # python-can's DRIVER_MODE_SILENT
    "nixnet": {"listen_only": True},
    "pcan": {"state": "PASSIVE"},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": "PASSIVE"},
    "vector": {"listen_only": True},
}
"""What each interface must be given to listen only; ``state`` is a `can.BusState`."""

_RATE_ELSEWHERE = frozenset({"serial", "socketcan", "socketcand", "udp_multicast", "virtual"})
"""Interfaces whose bit rate is set outside the program, or that have none."""

_OPTIONS: Mapping[str, Mapping[str, object]] = {
    "serial": {"timeout": 0.05},  # it waits that long whatever it is told; what is lost must show soon
    "socketcan": {"fd": True},  # without it the kernel keeps FD frames to itself
}

_TOLD_ELSEWHERE: Mapping[str, str] = {
    "serial": "whether it acknowledges is up to the device behind the line",
    "socketcan": "whether it acknowledges is set with the interface: ip link",
    "socketcand": "whether it acknowledges is up to the far end",
    "udp_multicast": "",
    "virtual": "",
}
_ACKNOWLEDGES = "it acknowledges frames as any node does"

_SILENT_LOG = logging.NullHandler()


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

    def close(self) -> None:
        """Let go of the adapter, whatever state it is in."""
        if self.drops is not None:
            self.drops.close()
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
    if interface in _RATE_ELSEWHERE or settings.get("bitrate") is not None or settings.get("timing") is not None:
        return False
    if interface in _LISTEN_ONLY:
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
    if isinstance(channel, str) and channel.isdigit() and interface not in _RATE_ELSEWHERE:
        channel = int(channel)  # as python-can reads its own configuration
    options = {**_OPTIONS.get(interface, {}), **settings, **_silencing(interface)}
    bus = _opened(address, interface, channel, options)
    facts = interface_facts(str(channel)) if interface == "socketcan" else UNKNOWN
    bitrate = facts.bitrate or options.get("bitrate")
    listen_only, note = _silence(interface, str(channel), facts)
    handle = socket_of(bus)
    keeps_frames = handle is not None and enlarge_buffer(handle)
    if handle is not None and interface == "udp_multicast":
        keep_to_own_group(handle)
    return OpenAdapter(
        adapter=bus,
        interface=interface,
        bitrate=int(bitrate) if isinstance(bitrate, int | str) else None,
        listen_only=listen_only,
        note=note,
        drops=None if handle is None else DropCounter.of(handle),
        keeps_frames=keeps_frames,
    )


def _opened(address: BusAddress, interface: str, channel: object, options: dict[str, Any]) -> Adapter:
    import can  # 0.5 s

    logging.getLogger("can").addHandler(_SILENT_LOG)  # its remarks would run over the screen
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


def _silencing(interface: str) -> dict[str, object]:
    """Give the options that make an adapter listen only; none where there are none."""
    import can

    options = dict(_LISTEN_ONLY.get(interface, {}))
    if "state" in options:
        options["state"] = can.BusState.PASSIVE
    return options


def _silence(interface: str, channel: str, facts: InterfaceFacts) -> tuple[bool | None, str]:
    """Say whether an adapter keeps silent, and what there is to say about it."""
    if interface in _LISTEN_ONLY:
        return True, ""
    if facts.listen_only is not None:
        advice = f"to have it silent: ip link set {channel} type can listen-only on"
        return facts.listen_only, "" if facts.listen_only else f"{_ACKNOWLEDGES}; {advice}"
    if interface in _TOLD_ELSEWHERE:
        return None, _TOLD_ELSEWHERE[interface]
    return False, _ACKNOWLEDGES
