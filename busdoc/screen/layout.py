"""Where the four areas go, for a terminal of a given size: fewer of them where it is small."""

from dataclasses import dataclass

from busdoc.screen.areas.roll_call import FOOT_ROWS

__all__ = ["Places", "places_for"]

_LEAST_LOWER = 8
_LEAST_UPPER = 4
_WIDE = 60
"""Below this, areas do not stand side by side."""
_TALL = 16
"""Below this, they do not stand one upon the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Widths and heights in cells; 0: not shown."""

    roll: int = 0
    strip: int = 0
    harness: int = 0
    next: int = 0
    upper: int = 0
    """Height of roll call and strip."""
    lower: int = 0
    """Height of harness and next."""


def places_for(
    width: int,
    height: int,
    *,
    n_controllers: int,
    n_around: int,
    alone: int,
    n_asking: int = 0,
    n_next: int = 0,
) -> Places:
    """Lay the areas out.

    Parameters
    ----------
    n_around : lines above and below them
    n_asking : lines of an open question; it takes from the lower areas, so that the controllers stay in sight
    n_next : lines that Next needs for its step and cautions; the upper areas give them where the lower have fewer
    alone : 1 roll call, 2 strip, 3 harness or 4 next alone; 0: as many as there is room for
    """
    room = max(1, height - n_around - 1)
    if alone:
        return _alone(width, max(1, room - n_asking), alone)
    if room - n_asking < _LEAST_UPPER + 4 and not (n_asking and room >= _LEAST_UPPER + n_asking):
        return Places(next=width, lower=max(1, room - n_asking))
    wanted = n_controllers + 1 + FOOT_ROWS
    upper = max(_LEAST_UPPER, min(wanted, max(room // 2, room - _LEAST_LOWER), room - n_asking))
    upper = max(_LEAST_UPPER, min(upper, room - n_asking - n_next))
    lower = room - upper - n_asking
    if lower < 2:
        upper, lower = room - n_asking, 0
    if width < _WIDE:
        return Places(roll=width, next=width, upper=upper, lower=lower)
    roll = min(64, max(44, width * 6 // 10 if width < 100 else width * 4 // 10))
    harness = min(60, max(30, width // 2 - 1))
    if room < _TALL:
        return Places(roll=roll, strip=width - roll - 1, next=width, upper=upper, lower=lower)
    return Places(
        roll=roll, strip=width - roll - 1, harness=harness, next=width - harness - 1, upper=upper, lower=lower
    )


def _alone(width: int, room: int, alone: int) -> Places:
    if alone == 1:
        return Places(roll=width, upper=room)
    if alone == 2:  # a strip without names says nothing
        name = min(20, width // 3)
        return Places(roll=name, strip=width - name - 1, upper=room)
    return Places(harness=width, lower=room) if alone == 3 else Places(next=width, lower=room)
