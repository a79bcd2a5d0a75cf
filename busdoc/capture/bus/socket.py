"""The socket behind an adapter, where it has one: a large buffer to wait in, and a count of what was dropped."""

import contextlib
import os
import socket
import stat
import struct
import sys

__all__ = [
    "DropCounter",
    "enlarge_buffer",
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
