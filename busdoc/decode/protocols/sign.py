"""A sign: one frame by which a controller says that it has just started, or means to go.

The open protocols send these at start-up only, or on request, so an unasked one proves a restart.
"""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Sign", "SignKind"]


class SignKind(StrEnum):
    """What the frame says."""

    ADDRESS_CLAIM = "address claim"
    CANNOT_CLAIM = "cannot claim"
    BOOT_UP = "boot-up"
    HEARTBEAT_FIRST = "first heartbeat"
    """An ISO 11783 heartbeat with sequence 251: the first after start-up."""
    HEARTBEAT_LAST = "orderly shutdown"
    """An ISO 11783 heartbeat with sequence 255: it meant to go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One such frame."""

    t_ns: int
    channel: int
    kind: SignKind
    address: int | None = None
    """J1939 source address; 254 for a cannot-claim."""
    node_id: int | None = None
    """CANopen node."""
    can_name: int | None = None
    """The NAME of a claim, as the unsigned 64-bit number of the raw bytes."""
    asked: bool = False
    """A request for it, or a reset command, came shortly before: it proves nothing."""
