"""Opens an adapter through python-can, told to keep silent wherever it can be told; nothing here transmits.

Which option makes an adapter listen only differs from interface to interface; the table below has all that python-can
knows (its documentation of each interface's constructor). Where there is none, the adapter acknowledges frames as any
node does, and at a wrong bit rate it disturbs the bus: so the rate is tried out only where listening is all it does.
"""

import configparser
import contextlib
import logging
import os
import socket
import stat
import struct
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from busdoc.capture.live_address import BusAddress
from busdoc.errors import BusError, InputError, nearest

if TYPE_CHECKING:
    import can

__all__ = ["Adapter", "DropCounter", "OpenAdapter", "can_be_tried", "open_adapter"]

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
    "socketcan": "whether it acknowledges is set with the interface: ip link set … type can listen-only on",
    "socketcand": "whether it acknowledges is up to the far end",
    "udp_multicast": "",
    "virtual": "",
}
_ACKNOWLEDGES = "it acknowledges frames as any node does"

_RECEIVE_BUFFER_BYTES = 8 << 20
"""A socket of the default size lost 17 % of 30,000 frames/s to a reader that was away for a tick; one of this, none."""

_SILENT_LOG = logging.NullHandler()

_SAFE_BUFFER_BYTES = 128 << 10
"""Some 150 frames: a full bus takes 20 ms for them."""

_SO_RCVBUFFORCE, _SO_MEMINFO = 33, 55
_IP_MULTICAST_ALL, _IPV6_MULTICAST_ALL = 49, 29
"""Numbers of the Linux headers linux/in.h and linux/in6.h."""
_MEMORY_INFO = struct.Struct("=9I")
"""Numbers of the Linux header asm-generic/socket.h; the last of nine words counts drops (linux/sock_diag.h)."""


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
    settings = _settings(address)
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
    import can  # 0.5 s

    logging.getLogger("can").addHandler(_SILENT_LOG)  # its remarks would run over the screen
    settings = _settings(address)
    interface = str(settings.pop("interface"))
    channel = settings.pop("channel", None)
    if isinstance(channel, str) and channel.isdigit() and interface not in _RATE_ELSEWHERE:
        channel = int(channel)  # as python-can reads its own configuration
    silent = dict(_LISTEN_ONLY.get(interface, {}))
    if "state" in silent:
        silent["state"] = can.BusState.PASSIVE
    options: dict[str, Any] = {**_OPTIONS.get(interface, {}), **settings, **silent}
    try:
        bus = can.Bus(channel=channel, interface=interface, ignore_config=True, **options)
    except can.CanInterfaceNotImplementedError as error:
        raise InputError(
            f"--bus {address.name}",
            f"the driver of {interface}",
            _reason(error),
            "Install the adapter's driver and python-can's extra for it.",
        ) from error
    except (TypeError, KeyError, ValueError, AttributeError, ImportError, NameError) as error:
        raise InputError(
            f"--bus {address.name}",
            f"a channel and options that {interface} understands",
            _reason(error),
            "Check the channel's name in the adapter's documentation.",
        ) from error
    except (can.CanError, OSError) as error:
        raise BusError(f"{address.name} does not open: {_reason(error)}.") from error
    bitrate = options.get("bitrate")
    told_to: bool | None = bool(silent)
    note = "" if silent else _TOLD_ELSEWHERE.get(interface, _ACKNOWLEDGES)
    if interface in _TOLD_ELSEWHERE:
        told_to = None
    handle = _socket_of(bus)
    keeps_frames = False
    if handle is not None:
        keeps_frames = _enlarge_buffer(handle)
        if interface == "udp_multicast":
            _keep_to_own_group(handle)
    return OpenAdapter(
        adapter=bus,
        interface=interface,
        bitrate=int(bitrate) if isinstance(bitrate, int | str) else None,
        listen_only=told_to,
        note=note,
        drops=None if handle is None else DropCounter.of(handle),
        keeps_frames=keeps_frames,
    )


def _settings(address: BusAddress) -> dict[str, Any]:
    """Give what python-can is told, from the address and, where it says little, from python-can's configuration."""
    import can

    if address.interface is not None and address.interface not in can.VALID_INTERFACES:
        raise InputError(
            f"--bus {address.name}",
            "an interface of python-can",
            f'"{address.interface}"',
            nearest(address.interface, can.VALID_INTERFACES),
        )
    if address.interface is not None:
        given: dict[str, Any] = {"interface": address.interface, "channel": address.channel}
        if address.bitrate is not None:
            given["bitrate"] = address.bitrate
        return given
    interface_alone = address.section in can.VALID_INTERFACES and not _has_section(address.section)
    if address.section is not None and not interface_alone and not _has_section(address.section):
        raise InputError(
            f"--bus {address.section}",
            "INTERFACE:CHANNEL[@BITRATE], or a section of python-can's configuration",
            f'"{address.section}"',
            nearest(address.section, [*can.VALID_INTERFACES, *_sections()]),
        )
    more: dict[str, Any] = {} if address.bitrate is None else {"bitrate": address.bitrate}
    if interface_alone:
        return {"interface": address.section, **more}
    try:
        found = dict(can.util.load_config(config=more, context=address.section))
    except (can.CanInterfaceNotImplementedError, ValueError, TypeError, configparser.Error) as error:
        raise InputError(
            "python-can's configuration",
            "an interface and a channel",
            _reason(error),
            "Name the bus: --bus INTERFACE:CHANNEL@BITRATE.",
        ) from error
    return {key: value for key, value in found.items() if value is not None}


def _has_section(name: str | None) -> bool:
    return name is not None and (name in _sections() or any(key.endswith(f"_{name}") for key in _from_environment()))


def _from_environment() -> list[str]:
    return [key for key in os.environ if key.startswith("CAN_")]


def _sections() -> list[str]:
    """List the sections of python-can's configuration files."""
    import can

    config = configparser.ConfigParser()
    try:
        config.read([Path(path).expanduser() for path in can.util.CONFIG_FILES], encoding="utf-8")
    except (configparser.Error, UnicodeDecodeError) as error:
        raise InputError(
            "python-can's configuration", "sections with KEY = VALUE lines", _reason(error), "Correct the file."
        ) from error
    return config.sections()


def _reason(error: BaseException) -> str:
    """Say why in one line; an error without words says its kind."""
    cause = error.__cause__ if isinstance(error.__cause__, OSError) else error
    text = " ".join(str(cause).split()).rstrip(".")
    return text or type(error).__name__


class DropCounter:
    """Tells how many frames a socket dropped because nobody read them in time."""

    def __init__(self, handle: socket.socket) -> None:
        self._handle = handle

    @staticmethod
    def of(handle: socket.socket) -> "DropCounter | None":
        """Make one that owns `handle`; None where the operating system does not count."""
        counter = DropCounter(handle)
        try:
            counter.count()
        except (OSError, struct.error):
            handle.close()
            return None
        return counter

    def count(self) -> int:
        """Give the number so far; it wraps at 2**32.

        Raises
        ------
        OSError : when the socket is gone
        """
        return int(_MEMORY_INFO.unpack(self._handle.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMORY_INFO.size))[-1])

    def close(self) -> None:
        """Let go of the socket."""
        self._handle.close()


def _socket_of(adapter: object) -> socket.socket | None:
    """Give a second handle on an adapter's socket; None for one that has none, and off Linux."""
    fileno = getattr(adapter, "fileno", None)
    if fileno is None or sys.platform != "linux":
        return None
    try:
        number = os.dup(fileno())
    except Exception:  # no handle, or one of a kind of its own: every interface refuses in its own way
        return None
    if not stat.S_ISSOCK(os.fstat(number).st_mode):
        os.close(number)
        return None
    return socket.socket(fileno=number)


def _keep_to_own_group(handle: socket.socket) -> None:
    """Else Linux also hands over what is sent to any other group that some program of this laptop has joined."""
    is_ipv6 = handle.family == socket.AF_INET6
    level, option = (socket.IPPROTO_IPV6, _IPV6_MULTICAST_ALL) if is_ipv6 else (socket.IPPROTO_IP, _IP_MULTICAST_ALL)
    with contextlib.suppress(OSError):
        handle.setsockopt(level, option, 0)


def _enlarge_buffer(handle: socket.socket) -> bool:
    """Ask for a large buffer; tell whether it holds at least what comes while a reader rests."""
    for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):  # the first is for the administrator alone
        try:
            handle.setsockopt(socket.SOL_SOCKET, option, _RECEIVE_BUFFER_BYTES)
        except OSError:
            continue
        break
    return handle.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) >= _SAFE_BUFFER_BYTES
