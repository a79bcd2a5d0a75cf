"""News of a return that is followed live: each thing that became known, told once."""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.resync_check.records import ControllerReturn, PowerUpReturn

__all__ = ["NewsKind", "ReturnNews", "Told", "is_home", "news"]


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
    FELL = "fell"
    """A controller that had come went silent again."""
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


class Told:
    """What was said already."""

    def __init__(self) -> None:
        self._values: dict[tuple[str, str], object] = {}

    def is_new(self, what: str, name: str, value: object) -> bool:
        """Tell whether this was not said yet, and take note of it."""
        if self._values.get((what, name)) == value:
            return False
        self._values[(what, name)] = value
        return True

    def forget(self, what: str, name: str = "") -> None:
        """Let it be said again."""
        self._values.pop((what, name), None)

    def clear(self) -> None:
        """Let everything be said again."""
        self._values.clear()


def is_home(one: ControllerReturn) -> bool:
    """Tell whether a controller is in step now: what it was before it fell again counts no more."""
    return one.steady_ns is not None and not one.fell_again


def news(
    kind: NewsKind, time_ns: int, text: str, current: PowerUpReturn, one: ControllerReturn | None = None
) -> ReturnNews:
    """Put something that became known beside how many are home by then.

    Parameters
    ----------
    current : the power-up that is followed
    one : the controller that it is about; None: all
    """
    zero_ns = current.power_up.zero_ns
    home = sum(
        is_home(other) and (kind is not NewsKind.HOME or one is None or (other.steady_ns or 0) <= (one.steady_ns or 0))
        for other in current.controllers
    )
    return ReturnNews(
        kind=kind,
        time_ns=time_ns,
        text=text,
        after_ns=None if zero_ns is None else time_ns - zero_ns,
        controller=None if one is None else one.name,
        limit_ns=None if one is None else one.limit_ns,
        home=home,
        due=len(current.controllers),
    )
