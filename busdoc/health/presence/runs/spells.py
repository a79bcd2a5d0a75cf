"""Spells: a controller that restarts again and again, told once and not thirty times.

A shorted sensor pulls its controller down; it starts, speaks for a moment and goes down again, for minutes.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from busdoc.health.incident import Loss
from busdoc.times import SECOND_NS

__all__ = ["Fall", "Times", "fall_of", "find_spells", "goes_on", "up_and_down"]

_FEWEST = 3
"""Restarts that are 'again and again': two belong to the start-up of many a healthy controller (common practice)."""
_MOST_UP_NS = 5 * SECOND_NS
"""Up for longer than this, it runs (common practice)."""
_TYPICAL_UPS = 4
_BEYOND_NS = 2 * SECOND_NS
"""Up for so many times the median of the spell, and so much, the spell was over."""
_TYPICAL_DOWNS = 3
_MOST_OF_ONE = 4.0
"""What each return shows of a restart counts 50 to 1 at the most …"""
_DECIDED = math.log(4.0)
"""… and all of them together must say so with 80 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """One time that a controller was away, or several controllers together."""

    last_seen_ns: int
    back_ns: int | None
    announced: bool
    """It said that it had just started."""
    weight: float
    """Logarithm of the odds that it had restarted; 0: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """How long something took each time, ns."""

    median_ns: int
    shortest_ns: int
    longest_ns: int


def fall_of(losses: Sequence[Loss]) -> Fall:
    """Put the losses of those who fell together into one fall."""
    back_ns = [loss.back_ns for loss in losses if loss.back_ns is not None]
    known = [loss.p_restarted for loss in losses if loss.p_restarted is not None]
    return Fall(
        last_seen_ns=min(loss.last_seen_ns for loss in losses),
        back_ns=max(back_ns) if len(back_ns) == len(losses) else None,
        announced=any(loss.announced for loss in losses),
        weight=sum(_weight(p) for p in known),
    )


def find_spells(falls: Sequence[Fall]) -> list[tuple[int, int]]:
    """Find where a controller restarted again and again.

    Parameters
    ----------
    falls : of the same controllers, ascending

    Returns
    -------
    (first, after the last) indices of each spell, ascending
    """
    found: list[tuple[int, int]] = []
    first = 0
    ups_ns: list[int] = []
    for k in range(1, len(falls) + 1):
        up_ns = _up_ns(falls[k - 1], falls[k]) if k < len(falls) else None
        if up_ns is not None and up_ns <= _longest_up(ups_ns):
            ups_ns.append(up_ns)
            continue
        if sum(fall.back_ns is not None for fall in falls[first:k]) >= _FEWEST and _restarted(falls[first:k]):
            found.append((first, k))
        first, ups_ns = k, []
    return found


def goes_on(falls: Sequence[Fall], until_ns: int) -> bool:
    """Tell whether a spell is still going on: the next restart may come at any time.

    Parameters
    ----------
    falls : of the spell
    """
    ups, downs = up_and_down(falls)
    last = falls[-1]
    if last.back_ns is not None:
        return until_ns - last.back_ns <= _longest_up([ups.median_ns])
    longest_ns = last.last_seen_ns if downs is None else _TYPICAL_DOWNS * downs.longest_ns + _BEYOND_NS
    return until_ns - last.last_seen_ns <= longest_ns


def up_and_down(falls: Sequence[Fall]) -> tuple[Times, Times | None]:
    """Give how long the controller was up between the falls of a spell, and how long it was down; None: never back."""
    ups_ns = [up_ns for a, b in pairwise(falls) if (up_ns := _up_ns(a, b)) is not None]
    downs_ns = [fall.back_ns - fall.last_seen_ns for fall in falls if fall.back_ns is not None]
    return _times(ups_ns or [0]), _times(downs_ns) if downs_ns else None


def _times(each_ns: Sequence[int]) -> Times:
    return Times(median_ns=round(_median(each_ns)), shortest_ns=min(each_ns), longest_ns=max(each_ns))


def _median(each_ns: Sequence[int]) -> float:
    from statistics import median  # 5 ms, and few captures hold a spell

    return median(each_ns)


def _up_ns(before: Fall, after: Fall) -> int | None:
    return None if before.back_ns is None else max(0, after.last_seen_ns - before.back_ns)


def _longest_up(ups_ns: Sequence[int]) -> int:
    if not ups_ns:
        return _MOST_UP_NS
    return min(_MOST_UP_NS, round(_TYPICAL_UPS * _median(ups_ns)) + _BEYOND_NS)


def _restarted(falls: Sequence[Fall]) -> bool:
    """Tell whether it restarted, rather than ran on unheard."""
    return 2 * sum(fall.announced for fall in falls) >= len(falls) or sum(fall.weight for fall in falls) >= _DECIDED


def _weight(p: float) -> float:
    p = min(max(p, 1e-9), 1.0 - 1e-9)
    return max(-_MOST_OF_ONE, min(_MOST_OF_ONE, math.log(p / (1.0 - p))))
