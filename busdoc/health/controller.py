"""A controller as the capture showed it: its streams, its state at the end, when it was absent."""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.machine.controller_spec import Identity, PeriodFrom

__all__ = ["ControllerHealth", "ControllerState", "StreamHealth", "StreamKey", "heard_span"]


class ControllerState(StrEnum):
    """How a controller stands at the end of what was read."""

    NEVER_SEEN = "never seen"
    STARTING = "starting"
    STEADY = "steady"
    LATE = "late"
    LOST = "lost"
    RESTARTING = "restarting"
    """It restarts again and again, and may be up or down at the moment."""
    OFF = "off"
    """It left as the machine was switched off."""
    NOT_JUDGED = "not judged"
    """It sends too little, or nothing in a rhythm, for its absence to show."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class StreamKey:
    """One identifier on one channel: all frames that carry it are one stream."""

    channel: int
    extended: bool
    id: int

    def __str__(self) -> str:
        return f"0x{self.id:08X}" if self.extended else f"0x{self.id:03X}"


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


def heard_span(controller: ControllerHealth) -> tuple[int, int]:
    """Give from when to when a controller was on the bus as far as its frames tell, ns.

    It begins with its first frame, and ends a deadline after its last one.
    """
    deadlines_ns = [stream.deadline_ns for stream in controller.streams if stream.cyclic and stream.deadline_ns]
    return controller.first_ns or 0, (controller.last_ns or 0) + max(deadlines_ns, default=0)
