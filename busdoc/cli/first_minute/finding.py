"""One thing that was looked at, and how it stands."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Finding", "Standing"]


class Standing(StrEnum):
    """How it stands, by the words that are printed."""

    WELL = "well"
    MIND = "mind"
    """It works, and there is something to know."""
    WRONG = "wrong"
    """It would go wrong at the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was found of one thing."""

    about: str
    standing: Standing
    text: str
    advice: str = ""
    """What to do; empty: nothing."""
