"""What Linux says of a CAN interface: its bit rate, and whether it listens only; both are set outside the program.

Asked is the system's own ``ip`` program, which comes with every Linux (iproute2, `ip/iplink_can.c`: the words in its
JSON). Where it does not answer, nothing is known, and nothing is claimed.
"""

import json
import re
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

__all__ = ["UNKNOWN", "InterfaceFacts", "facts_from_json", "interface_facts"]

_NAME = re.compile(r"[\w.-]{1,15}")  # IFNAMSIZ of the Linux header if.h, less its end
_ANSWER_S = 2.0


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
