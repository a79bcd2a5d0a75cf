"""What the operating system knows of an adapter.

Its socket, where it has one: a large buffer to wait in, and a count of what was dropped. Its interface: the bit rate
and the mode in which it was brought up.
"""

import contextlib
import json
import os
import re
import socket
import stat
import struct
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

__all__ = [
    "UNKNOWN",
    "DropCounter",
    "InterfaceFacts",
    "enlarge_buffer",
    "facts_from_json",
    "interface_facts",
    "keep_to_own_group",
    "socket_of",
]

_BUFFER_BYTES = 8 << 20
"""A socket of the default size lost 17 % of 30,000 frames/s to a reader that was away for a tick; one of this, none."""

_SAFE_BUFFER_BYTES = 128 << 10
"""Some 150 frames: a full bus takes 20 ms for them."""

_MOST_WAITING = 10_000
"""Datagrams that a socket of the default size cannot hold in the instant before it is told to keep to its group."""
_SO_RCVBUFFORCE, _SO_MEMINFO = 33, 55
_IP_MULTICAST_ALL, _IPV6_MULTICAST_ALL = 49, 29
_MEMORY_INFO = struct.Struct("=9I")
"""Numbers of the Linux headers asm-generic/socket.h, linux/in.h and linux/in6.h; the last of nine words of memory
information counts drops (linux/sock_diag.h)."""

_NAME = re.compile(r"[\w.-]{1,15}")  # IFNAMSIZ of the Linux header if.h, less its end
_ANSWER_S = 2.0


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


def socket_of(adapter: object) -> socket.socket | None:
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


def keep_to_own_group(handle: socket.socket) -> None:
    """Else Linux also hands over what is sent to any other group that some program of this laptop has joined.

    What waits already is thrown away: it came before listening had begun, and may be another group's.
    """
    is_ipv6 = handle.family == socket.AF_INET6
    level, option = (socket.IPPROTO_IPV6, _IPV6_MULTICAST_ALL) if is_ipv6 else (socket.IPPROTO_IP, _IP_MULTICAST_ALL)
    with contextlib.suppress(OSError):  # also where nothing waits any more
        handle.setsockopt(level, option, 0)
        for _ in range(_MOST_WAITING):
            handle.recv(1, socket.MSG_DONTWAIT)


def enlarge_buffer(handle: socket.socket) -> bool:
    """Ask for a large buffer; tell whether it holds at least what comes while a reader rests."""
    for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):  # the first is for the administrator alone
        try:
            handle.setsockopt(socket.SOL_SOCKET, option, _BUFFER_BYTES)
        except OSError:
            continue
        break
    return handle.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) >= _SAFE_BUFFER_BYTES


@dataclass(frozen=True, slots=True, kw_only=True)
class InterfaceFacts:
    """How an interface was brought up."""

    bitrate: int | None = None
    """bit/s; None where it has none or it is not known."""
    listen_only: bool | None = None
    """None where it is not known."""


UNKNOWN = InterfaceFacts()


def interface_facts(name: str) -> InterfaceFacts:
    """Ask the operating system; off Linux, and for a name that none can have, nothing is known."""
    if sys.platform != "linux" or not _NAME.fullmatch(name):
        return UNKNOWN
    command = ["ip", "-json", "-details", "link", "show", "dev", name]
    try:
        answer = subprocess.run(command, capture_output=True, timeout=_ANSWER_S, check=True).stdout
    except (OSError, subprocess.SubprocessError):
        return UNKNOWN
    return facts_from_json(answer.decode("utf-8", "replace"))


def facts_from_json(text: str) -> InterfaceFacts:
    """Read the answer; whatever is not as expected there is not known."""
    try:
        found = json.loads(text)
        info: dict[str, Any] = found[0]["linkinfo"]
        if info["info_kind"] != "can":  # a virtual one: nobody acknowledges, and it has no rate
            return UNKNOWN
        data = info["info_data"]
        bitrate = data.get("bittiming", {}).get("bitrate")
        modes = data.get("ctrlmode", [])
    except (ValueError, LookupError, TypeError, AttributeError):
        return UNKNOWN
    return InterfaceFacts(
        bitrate=bitrate if isinstance(bitrate, int) and bitrate > 0 else None,
        listen_only="LISTEN-ONLY" in modes if isinstance(modes, list) else None,
    )
