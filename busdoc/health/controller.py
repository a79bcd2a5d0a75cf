"""A controller: who it is, what it should send, and how it fared.

`ControllerSpec` is what is known beforehand (from the machine map, a database, a protocol, or learnt);
`ControllerHealth` is what the capture showed.
"""

from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "ControllerHealth",
    "ControllerSpec",
    "ControllerState",
    "ExpectedStream",
    "Identity",
    "PeriodFrom",
    "StreamHealth",
    "StreamKey",
]


class PeriodFrom(StrEnum):
    """Who said what a stream's period is."""

    MAP = "map"
    DATABASE = "database"
    LEARNT = "learnt"


class ControllerState(StrEnum):
    """How a controller stands at the end of what was read."""

    NEVER_SEEN = "never seen"
    STARTING = "starting"
    STEADY = "steady"
    LATE = "late"
    LOST = "lost"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class StreamKey:
    """One identifier on one channel: all frames that carry it are one stream."""

    channel: int
    extended: bool
    id: int

    def __str__(self) -> str:
        return f"0x{self.id:08X}" if self.extended else f"0x{self.id:03X}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedStream:
    """A stream that a controller should send."""

    id: int
    extended: bool
    period_ns: int | None
    """None: known to belong to the controller, rhythm to be learnt."""
    period_from: PeriodFrom
    jitter_ns: int | None = None
    """Ordinary spread of its intervals, as a standard deviation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What identifies a controller on its bus; any of these may be unknown."""

    address: int | None = None
    """J1939 source address, 0 … 253."""
    can_name: int | None = None
    """J1939 NAME as the unsigned 64-bit number of the raw bytes."""
    node_id: int | None = None
    """CANopen node, 1 … 127."""
    sender: str | None = None
    """The node that a database names as the sender."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerSpec:
    """A controller as it is known before the capture is read."""

    name: str
    channel: int | str | None = None
    """As the capture numbers or names it; None: any channel."""
    identity: Identity = Identity()
    expects: tuple[ExpectedStream, ...] = ()
    """Streams named as its own, with or without a period."""
    latches: bool | None = None
    back_within_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamHealth:
    """One stream's rhythm as learnt or given."""

    key: StreamKey
    frames: int
    cyclic: bool
    """False: event driven or on change; its frames prove presence, its silence proves nothing."""
    period_ns: int | None
    jitter_ns: int | None
    """Robust spread of the inter-arrival times, as a standard deviation (1.4826 MAD)."""
    deadline_ns: int | None
    """Silence longer than this counts as missing."""
    period_from: PeriodFrom
    first_ns: int
    last_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerHealth:
    """What the capture showed of one controller."""

    name: str
    channel: int | None
    """None: never seen, and nobody said where it should be."""
    identity: Identity
    frames: int
    streams: tuple[StreamHealth, ...]
    state: ControllerState
    present_ns: int
    lost_ns: int
    dropouts: int
    restarts: int
    first_ns: int | None
    last_ns: int | None
    absences: tuple[tuple[int, int], ...] = ()
    """(from, to) in ns, ascending: from the last frame heard to the next one, or to the end of the capture. The time
    before the first frame of a controller that was expected from the start counts as one."""
