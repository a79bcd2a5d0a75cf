"""Hands that wrote nothing down: a supply that was switched off and on, and no action says so.

A fuse that is pulled and put back looks on the bus like a fuse that lets go, but that no hand is as fast as a contact,
and that nobody does it again and again without a word. So it has a density of its own beside those of the parts: one
such fall is a hand's as likely as not, several are the supply's. Takes losses and the map's reach; knows no posterior.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.actions.action import NOT_SWITCHED, Action, ActionKind
from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.losses import Losses
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS

__all__ = ["weigh_hands"]

_HAND_HZ = 1.0 / 3600.0
"""That somebody switches or pulls one supply and writes nothing down: once an hour while a machine is worked on (common
practice). So of two falls in a minute the supply is the likelier cause, of one it is not. By reckoning, and no fit."""
_FASTEST_S = 1.0
"""A hand does not switch off and on faster (common practice)."""
_LIVES_ON_S = 1.0
"""A controller lives on its capacitors for up to so long, or is missed so much later (common practice)."""
_TOGETHER_S = 5.0
"""Controllers that get their supply back at once are heard within so long (common practice: starts take one to seven
seconds, those of one machine much the same)."""
_SAID_WITHIN_S = 3.0
"""Who says of a fall that nobody switched anything is asked with its time (by definition), known within a deadline."""


def weigh_hands(
    machine: Machine,
    losses: Losses,
    rows: Sequence[int],
    reach: Reach,
    actions: Sequence[Action],
    fit: Float64Array,
    start_ns: int,
) -> Float64Array:
    """Weigh each incident as what somebody did to a supply and did not write down.

    Parameters
    ----------
    machine : the map
    losses, rows : what no action explains
    reach : of the actions
    actions : ascending by time
    fit : (P, K) how well it ended as what each part brings about ends
    start_ns : what the times of `losses` count from

    Returns
    -------
    (K,) density, 1/s; none where no supply has just these controllers, or somebody said that nobody switched it
    """
    density = np.zeros(len(rows))
    feeds = _feeds(machine, reach)
    if not feeds or losses.showing is not None:
        return density
    denied_s = [
        (one.time_ns - start_ns) / SECOND_NS
        for one in actions
        if one.kind is ActionKind.MARK and one.note == NOT_SWITCHED
    ]
    for k, row in enumerate(rows):
        t = float(losses.t_s[row])
        if any(abs(t - at_s) < _SAID_WITHIN_S for at_s in denied_s):
            continue
        for p, fed in feeds:
            if _is_switched(losses, row, fed):
                density[k] = max(density[k], _HAND_HZ * float(fit[p, k]))
    return density


def _feeds(machine: Machine, reach: Reach) -> list[tuple[int, BoolArray]]:
    """Give each feed's place among the parts, with the (C,) controllers that it feeds."""
    found = []
    for p, name in enumerate(reach.parts):
        part = machine.parts.get(name)
        if part is not None and part.kind is PartKind.FEED:
            below = set(machine.controllers_below(name))
            found.append((p, np.array([c in below for c in reach.controllers], np.bool_)))
    return found


def _is_switched(losses: Losses, row: int, fed: BoolArray) -> bool:
    """Whether all that a supply feeds went, and came back, as by a hand at it.

    One controller alone never counts, for it may have crashed; one that was away before tells of the supply if it comes
    back with the rest.
    """
    fell, up = losses.hit[row], losses.up[row]
    if not fell.any() or not np.array_equal(fell, fed & up):
        return False
    t = float(losses.t_s[row])
    back_s = [_back_s(losses, int(c), t) for c in np.flatnonzero(fell)]
    if min(back_s) - t < _FASTEST_S:
        return False
    others = [_back_s(losses, int(c), t) for c in np.flatnonzero(fed & ~up)]
    together = [at_s for at_s in others if abs(at_s - min(back_s)) < _TOGETHER_S]
    return len(back_s) + len(together) > 1


def _back_s(losses: Losses, c: int, t: float) -> float:
    """When a controller that is away at a time, or falls with those who fall then, is heard again; infinity: it is not.

    One that was there all the while is given the time itself.
    """
    return next((to_s for from_s, to_s in losses.away[c] if from_s < t + _LIVES_ON_S and to_s > t), t)
