"""Something that may go before dropouts, an event or a measured value, as far as both are alike.

Both are tried together, so their p-values are corrected together, and they are ranked by the same measure: the share of
the dropouts that they explain beyond what chance would.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from typing import Self

__all__ = ["FOUND_AT", "Precursor", "explained_share"]

FOUND_AT = 0.05
"""Something is said of dropouts at this p, corrected for all that was tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Precursor(ABC):
    """One event or measured value, held against one set of dropouts."""

    name: str
    """The kind of event in words for a person; of a measured value ``Message.Signal``, or words for what is none."""
    signal: str | None
    """``Message.Signal``; None: not a signal of the database."""
    controllers: tuple[str, ...]
    """Whose dropouts; empty: anybody's."""
    n_dropouts: int
    """Of a measured value, those before which it could be told."""
    window_s: float
    """It is looked for in these seconds before a dropout; 0: the last value."""
    explained: float
    """Share of the dropouts that chance leaves and this explains: 1 all of them, 0 none."""
    p: float
    """Corrected for the windows, features and thresholds that were tried, and for nothing else."""
    p_holm: float = 1.0
    """Corrected for everything that was tried (Holm 1979): the chance of even one false finding; 1 until it is."""
    q_bh: float = 1.0
    """Corrected likewise (Benjamini & Hochberg 1995): the expected share of false ones among those as good."""
    called: str = "dropout"
    """What one of those that it may go before is called."""
    beside: str | None = None
    """A stronger one that goes before the same dropouts and leaves this one nothing to explain."""

    @property
    @abstractmethod
    def subject(self) -> str:
        """The name as the subject of a sentence."""

    @property
    @abstractmethod
    def words(self) -> str:
        """Say what was counted, in one sentence or more."""

    @property
    def is_voltage(self) -> bool:
        """Tell whether it is a measured voltage."""
        return False

    @property
    def found(self) -> bool:
        """Tell whether it goes before the dropouts more often than chance, given all that was tried."""
        return self.p_holm <= FOUND_AT

    def corrected(self, p_holm: float, q_bh: float) -> Self:
        """Take the p-values that were corrected over everything that was tried."""
        return self if p_holm == q_bh == 1.0 else replace(self, p_holm=p_holm, q_bh=q_bh)


def explained_share(n_with: float, n: float, by_chance: float) -> float:
    """Give the share of what chance leaves that is explained.

    >>> explained_share(9, 10, 0.5)
    0.8
    """
    return max(0.0, (n_with / n - by_chance) / (1.0 - by_chance)) if n and by_chance < 1.0 else 0.0
