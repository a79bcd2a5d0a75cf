"""One thing that was looked at, and how it stands."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from busdoc.words.counting import counted

__all__ = ["Finding", "Standing", "in_short"]


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


def in_short(findings: Sequence[Finding]) -> str:
    """Say in a sentence whether the laptop is ready."""
    n_wrong = sum(one.standing is Standing.WRONG for one in findings)
    n_mind = sum(one.standing is Standing.MIND for one in findings)
    if n_wrong:
        return f"Not ready: {counted(n_wrong, 'thing')} would go wrong at the machine."
    if n_mind:
        return f"Ready, with {counted(n_mind, 'thing')} to mind."
    return "Ready."
