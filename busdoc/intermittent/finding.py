"""Which of the things that were tried are told as going before dropouts, in which order, and what they leave to others.

Events and measured values are ranked by the same measure: the share of the dropouts that they explain beyond chance.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.precursor import Precursor

__all__ = ["Lags", "Tried", "lags_of", "rank", "set_aside"]

_SHOWN_WINDOWS = 4.0
"""Lags are shown up to so many windows: what is beyond is what chance makes."""
_NOTHING_LEFT = 0.05
"""An event whose share of the dropouts that another leaves has a p beyond this has nothing of its own to explain."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Lags:
    """How long before each dropout an event of a kind last was, for the picture."""

    name: str
    window_s: float
    lag_s: tuple[float, ...]
    """Of the dropouts that have one within `shown_s`, ascending."""
    n_dropouts: int
    shown_s: float
    by_chance: float
    """Dropouts to be expected in the window by chance."""


def rank(tests: Sequence[Precursor]) -> tuple[Precursor, ...]:
    """Put them in order: what explains most of the dropouts first; each thing once, for whom it explains most."""
    ordered = sorted(tests, key=lambda one: (-round(one.explained, 3), one.p, one.name))
    return tuple({one.name: one for one in reversed(ordered)}[name] for name in dict.fromkeys(o.name for o in ordered))


def set_aside(ranked: Sequence[Precursor]) -> tuple[Precursor, ...]:
    """Mark the events that a stronger one leaves nothing to explain: a switch that goes off soon after it went on.

    Returns
    -------
    Those that stand on their own first, in their order, then those set aside
    """
    standing: list[Precursor] = []
    aside: list[Precursor] = []
    for one in ranked:
        leader = next((strong for strong in standing if _leaves_nothing(strong, one)), None)
        if leader is None:
            standing.append(one)
        else:
            aside.append(replace(one, beside=leader.name))
    return (*standing, *aside)


def _leaves_nothing(strong: Precursor, weak: Precursor) -> bool:
    """Tell whether among the dropouts without the stronger event the weaker one comes no more often than by chance."""
    if not (isinstance(strong, Antecedent) and isinstance(weak, Antecedent)):
        return False
    if strong.controllers != weak.controllers or not (strong.is_sure and weak.is_sure):
        return False
    rest = ~strong.preceded
    return float(at_least(int((weak.preceded & rest).sum()), int(rest.sum()), weak.by_chance)) > _NOTHING_LEFT


def lags_of(one: Antecedent) -> Lags:
    """Give how long before each dropout the last event of a kind was."""
    shown_s = _SHOWN_WINDOWS * one.window_s
    return Lags(
        name=one.name,
        window_s=one.window_s,
        lag_s=tuple(np.sort([lag_s for lag_s in one.lags_s if lag_s <= shown_s]).tolist()),
        n_dropouts=one.n_dropouts,
        shown_s=shown_s,
        by_chance=one.expected_by_chance,
    )
