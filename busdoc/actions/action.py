"""An action: one thing that was done to the machine, by whom it is known, and how surely when."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["NOT_SWITCHED", "OWN_LEAD_IN", "OWN_LEAD_OUT", "POWER_KINDS", "REMARKS", "Action", "ActionKind", "Origin"]


class ActionKind(StrEnum):
    """What was done."""

    PLUG = "plug"
    UNPLUG = "unplug"
    POWER_OFF = "power-off"
    POWER_ON = "power-on"
    POWER_CYCLE = "power-cycle"
    SWAP = "swap"
    WIGGLE = "wiggle"
    REPLACE = "replace"
    MARK = "mark"
    SEEN = "seen"
    """A person sees it: a lamp, the display, a noise; the note says what."""
    GONE = "gone"
    """It is gone."""


POWER_KINDS = (ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE)
"""What is done to a switch: to that of a feed, or of the whole machine."""


REMARKS = (ActionKind.MARK, ActionKind.SEEN, ActionKind.GONE)
"""What is written down without anything being done to the machine."""


OWN_LEAD_OUT = "no frame from anybody: the laptop's own plug or adapter was out"
OWN_LEAD_IN = "no frame from anybody: the laptop's own plug and adapter were in"
"""Notes of a mark: what a silence of everybody was, which the traffic alone cannot tell."""
NOT_SWITCHED = "nobody switched the supply here"
"""Note of a mark: what fell then, with all that its supply feeds, was no hand's doing."""


class Origin(StrEnum):
    """How an action is known."""

    JOURNAL = "journal"
    SIGNAL = "signal"
    """A decoded signal said so."""
    BUS = "bus"
    """Which controllers vanished and returned said so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing that was done."""

    n: int
    """1 for the first; how people refer to it."""
    time_ns: int
    """As written down: on the capture's own clock."""
    uncertainty_ns: int
    """Standard deviation of that time; people press after they plug."""
    kind: ActionKind
    part: str | None
    """The part; for a power action the feed, None for the whole machine; for a swap the first of the two."""
    into: str | None = None
    """`owner:socket` or owner; for a swap the other part; None: the part's place in the map."""
    origin: Origin = Origin.JOURNAL
    note: str = ""
    by: str = ""
    """Who logged it, where several do and say who they are."""
