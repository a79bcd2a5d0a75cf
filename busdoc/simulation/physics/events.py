"""What became of the controllers of a simulated machine, each with its true cause."""

from dataclasses import dataclass

__all__ = ["WorldEvent", "WorldShowing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldEvent:
    """A controller left the bus or came back."""

    time_s: float
    controller: str
    kind: str
    """``lost`` or ``back``."""
    cause: str
    """``fault:<part>``, ``unplugged`` (its own connector), ``power``, ``bus`` (a segment unplugged), ``spontaneous``;
    the cause of the loss is repeated when it is back; ``start`` for the first time after the world began."""
    restarted: bool
    """Lost: it stopped running. Back: it started anew since it was last heard."""
    action: int | None
    """Number (1 for the first) of the `World.act` that this is a direct answer to. A showing of an intermittent fault
    answers none, unless a wiggle made it; a hard fault answers the action that exposed it, the first time it shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldShowing:
    """A controller said that something is wrong, and ran on."""

    part: str
    """Whose fault it is."""
    controller: str
    from_s: float
    to_s: float | None
    """None: it says so at the end."""
    by_power: bool
    """It ended because the controller lost its power."""
