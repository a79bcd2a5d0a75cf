"""One thing that goes before dropouts, an event or the value of a signal, in one form for both.

Events and signals are tried together, so their p-values are corrected together, and they are ranked by the same
measure: the share of the dropouts that they explain beyond what chance would.
"""

from dataclasses import dataclass

__all__ = ["Finding", "Tried", "Trigger"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """How often an event is followed by a dropout."""

    share: float
    by_chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that goes before dropouts."""

    name: str
    """What: the event in words, or the signal with its feature."""
    subject: str
    """The same as the subject of a sentence: ``the event "Boom.Raised became 1 (on)"``, ``Engine.OilTemperature``."""
    signal: str | None
    """`Message.Signal`; None where it is none (a command, a code, a mark, the bus itself)."""
    controllers: tuple[str, ...]
    """Whose dropouts; empty: anybody's."""
    p: float
    p_holm: float
    """Corrected over everything that was tried (Holm 1979): the chance of even one false finding."""
    q_bh: float
    """Corrected likewise (Benjamini & Hochberg 1995): the expected share of false ones among those as good."""
    explained: float
    """Share of the dropouts that it goes before, beyond chance: 1 all of them, 0 none."""
    words: str
    trigger: Trigger | None = None
    """None: not an event."""
    is_voltage: bool = False
    index: int = 0
    """Which of the antecedents, or of the covariates where `trigger` is None."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """How much was tried, which every p-value pays for."""

    kinds: int
    """Kinds of events."""
    signals: int
    """Signals whose values were looked at, the bus itself counted as some."""
    tests: int
    """Questions in all, over every group of controllers."""
    left_out: tuple[str, ...] = ()
    """What could not be tried, and why."""
