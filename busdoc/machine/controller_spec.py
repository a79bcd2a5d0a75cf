"""What is known of a controller beforehand: from the machine map, a database, a protocol, or learnt."""

from dataclasses import dataclass, replace
from enum import StrEnum

__all__ = ["ControllerSpec", "ExpectedStream", "Identity", "PeriodFrom"]


class PeriodFrom(StrEnum):
    """Who said what a stream's period is."""

    MAP = "map"
    DATABASE = "database"
    LEARNT = "learnt"


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

    def without_period(self) -> "ExpectedStream":
        """Give what says whose the stream is, and no more: its rhythm is to be learnt."""
        return replace(self, period_ns=None, period_from=PeriodFrom.LEARNT, jitter_ns=None)


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
    unsteady: frozenset[tuple[int, bool]] = frozenset()
    """(identifier, extended) of frames that are known to stop, or to keep no rhythm, while controllers go on."""
    latches: bool | None = None
    back_within_ns: int | None = None
