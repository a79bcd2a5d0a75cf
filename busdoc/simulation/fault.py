"""A faulty part of a simulated machine, and how its fault behaves."""

import math
from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Effect", "Fault"]


class Effect(StrEnum):
    """What a fault does to the controllers that it reaches."""

    RESET = "reset"
    """They stop and start anew, or latch."""
    UNHEARD = "unheard"
    """They run on, and nobody hears them."""
    COMPLAIN = "complain"
    """They run on, are heard, and say by a code or a signal that something is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One faulty part, and how its fault behaves."""

    part: str
    """A part, controller, feed or segment of the machine."""
    rate_hz: float = math.inf
    """Poisson rate of showing while exposed to a running controller; infinite: a hard fault, `delay_s` after."""
    latches: bool = False
    """The controllers stay silent until their power is cycled (a segment: until it is handled)."""
    held: bool = False
    """The controllers are down for as long as the part is joined to them, and start anew when it is off."""
    holds_s: float = 5.0
    """How long the trouble lasts when it recovers alone, restart included."""
    holds_spread: float = 0.0
    """How much `holds_s` varies from one showing to the next, up or down, as a share of it."""
    effect: Effect | None = None
    """None: unheard for a segment, reset for anything else."""
    delay_s: float | None = None
    """Of a hard fault, from exposure to a running controller; None: drawn anew each time, 0.05 … 3 s."""
    from_s: float = 0.0
    """When the part goes bad."""
    clears_s: float = 0.5
    """How long its controllers take to believe that it is gone, where they only complain."""
    at_power_up: bool = False
    """Its controllers look for it in their self-test after a start, and at no other time."""

    @property
    def is_hard(self) -> bool:
        """Whether it shows as soon as it can, not by chance."""
        return math.isinf(self.rate_hz)
