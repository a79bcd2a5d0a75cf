"""News of a return that is followed live: how far it has come, and each thing that became known."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["NewsKind", "ReturnNews", "Stage"]


class Stage(StrEnum):
    """How far it has come."""

    LISTENING = "listening"
    """The machine is on, and has not been switched off yet; or nobody has been heard so far."""
    SILENT = "silent"
    COMING = "coming"
    SETTLING = "settling"
    """All are in step; nobody may restart or raise a code for a while."""
    DONE = "done"


class NewsKind(StrEnum):
    """What a line tells."""

    ON = "on"
    """The machine was on already."""
    SILENT = "silent"
    POWER = "power"
    HOME = "home"
    """A controller is in step."""
    LATE = "late"
    """A controller is not in step by its limit, or by the time limit."""
    RESTARTED = "restarted"
    CODE = "code"
    OFF_AGAIN = "off again"
    ALL_HOME = "all home"
    BUS = "bus"
    END = "end"
    """The recording is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnNews:
    """One thing that became known."""

    kind: NewsKind
    time_ns: int
    text: str
    after_ns: int | None = None
    """Since the first frame of the power-up."""
    controller: str | None = None
    limit_ns: int | None = None
    home: int = 0
    """Controllers in step by now …"""
    due: int = 0
    """… of those that should be."""
