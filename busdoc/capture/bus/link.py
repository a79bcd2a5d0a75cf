"""A CAN interface of the operating system (Linux): how it was brought up, and whether it is still there.

`ip` tells once, when a bus is opened, what the driver was told: bit rate and mode. Whether the interface is up, and
still the same one, is looked at all the time it is listened to: a system call each.
"""

import errno
import json
import re
import socket
import struct
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

__all__ = ["UNKNOWN", "LinkFacts", "LinkWatch", "facts_from_json", "link_facts", "lost_at_once"]

_NAME = re.compile(r"[\w.-]{1,15}")  # IFNAMSIZ of the Linux header if.h, less its end
_ANSWER_S = 2.0

_SIOCGIFFLAGS = 0x8913
_IFF_UP = 0x1
_REQUEST = struct.Struct("16sH22x")
"""Numbers and the request of the Linux headers sockios.h and if.h."""

_GONE = frozenset({errno.ENETDOWN, errno.ENODEV, errno.ENXIO})
"""What a socket says once when its interface went down or away (Linux, net/can/raw.c: raw_notify)."""

_REAL, _VIRTUAL = "can", frozenset({"vcan", "vxcan"})


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFacts:
    """How an interface was brought up."""

    bitrate: int | None = None
    """bit/s; None where it has none or it is not known."""
    listen_only: bool | None = None
    """None where it is not known."""
    is_real: bool | None = None
    """Whether a controller stands behind it; False for a virtual one, where nobody acknowledges and no rate counts."""


UNKNOWN = LinkFacts()


def link_facts(name: str) -> LinkFacts:
    """Ask the operating system; off Linux, and for a name that none can have, nothing is known."""
    if sys.platform != "linux" or not _NAME.fullmatch(name):
        return UNKNOWN
    command = ["ip", "-json", "-details", "link", "show", "dev", name]
    try:
        answer = subprocess.run(command, capture_output=True, timeout=_ANSWER_S, check=True).stdout
    except (OSError, subprocess.SubprocessError):
        return UNKNOWN
    return facts_from_json(answer.decode("utf-8", "replace"))


def facts_from_json(text: str) -> LinkFacts:
    """Read the answer of `ip`; whatever is not as expected there is not known."""
    try:
        found: dict[str, Any] = json.loads(text)[0]
        info = found["linkinfo"]
        kind, data = info["info_kind"], info.get("info_data") or {}
        bitrate, modes = data.get("bittiming", {}).get("bitrate"), data.get("ctrlmode", [])
    except (ValueError, LookupError, TypeError, AttributeError):
        return UNKNOWN
    is_real = True if kind == _REAL else False if kind in _VIRTUAL else None
    return LinkFacts(
        bitrate=bitrate if is_real and isinstance(bitrate, int) and bitrate > 0 else None,
        listen_only="LISTEN-ONLY" in modes if is_real and isinstance(modes, list) else None,
        is_real=is_real,
    )


def lost_at_once(error: BaseException) -> bool:
    """Whether a reading failed because the interface is down or gone, which a socket says one single time."""
    number = error.errno if isinstance(error, OSError) else getattr(error, "error_code", None)
    return number in _GONE


class LinkWatch:
    """Looks whether an interface is up, and the one that was opened.

    Parameters
    ----------
    name : of the interface
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._socket: socket.socket | None = None
        self._index = 0
        if sys.platform == "linux":
            self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self._index = self._index_now()

    @property
    def is_there(self) -> bool:
        """Whether there was such an interface when this began."""
        return self._socket is None or self._index != 0

    def trouble(self) -> str:
        """Say in words what keeps the interface from being heard; nothing when it is up."""
        if self._socket is None:
            return ""
        index = self._index_now()
        if not index:
            return f"{self._name} is not there: the adapter was pulled out, or its driver let go of it"
        if index != self._index:
            return f"{self._name} was made anew"
        return "" if self._is_up(self._socket) else f"{self._name} is down"

    def close(self) -> None:
        """Let go of what asks."""
        if self._socket is not None:
            self._socket.close()

    def _index_now(self) -> int:
        try:
            return socket.if_nametoindex(self._name)
        except OSError:
            return 0

    def _is_up(self, asking: socket.socket) -> bool:
        import fcntl  # not on every system

        try:
            answer = fcntl.ioctl(asking, _SIOCGIFFLAGS, _REQUEST.pack(self._name.encode(), 0))
        except OSError:
            return False
        return bool(_REQUEST.unpack(answer)[1] & _IFF_UP)
