"""Where to begin on a machine that nobody has touched yet: all branches off, or half of them.

Takes the map alone; trials decide everything after the first step (`busdoc.isolation.proposals.next_tests`).
"""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.actions.action import ActionKind
from busdoc.isolation.proposals.gain import fewest_tests
from busdoc.isolation.suspects.prior import part_weights
from busdoc.isolation.verdict import Step
from busdoc.machine.machine import Machine, PartKind

__all__ = ["FreshStart", "Way", "plan_fresh_start"]

_PLUG_S = 8.0
_POWER_S = 20.0
_WALK_S = 25.0
_TAIL = (PartKind.FEED, PartKind.SEGMENT, PartKind.TERMINATOR)


class Way(StrEnum):
    """How to go about it."""

    ONE_AT_A_TIME = "one at a time"
    HALVES = "halves"


@dataclass(frozen=True, slots=True, kw_only=True)
class FreshStart:
    """A way to begin."""

    way: Way
    order: tuple[str, ...]
    """The branches in the order in which they go back: the likeliest for its effort first."""
    steps: tuple[Step, ...]
    """Power off, the branches off that are to come off first, power on."""
    time_s: float
    """Expected until the branch is known, with one hard fault among them."""
    other_s: float
    """The same for the other way."""
    cautions: tuple[str, ...]


def plan_fresh_start(machine: Machine, controller: str, *, dwell_s: float = 10.0) -> FreshStart:
    """Weigh the two ways for a controller's branches, by priors and effort.

    Parameters
    ----------
    controller : the one that drops out
    dwell_s : how long each trial is watched; the longer a fault takes to show, the more halving gains

    Raises
    ------
    KeyError : when the map has no such controller
    """
    if controller not in machine.controllers:
        raise KeyError(controller)
    branches = [p.name for p in machine.parts.values() if p.owner == controller and p.kind not in _TAIL]
    effort_s = {b: machine.parts[b].effort_s or _PLUG_S for b in branches}
    names = tuple(machine.parts)
    weight = dict(zip(names, part_weights(machine, names, ()), strict=True))
    mass = {b: float(weight[b] + sum(weight[p] for p in machine.below(b) if p in weight)) for b in branches}
    order = sorted(branches, key=lambda b: (-mass[b] / (effort_s[b] + dwell_s), b))
    singly_s, halves_s = _singly_s(order, mass, effort_s, dwell_s), _halves_s(order, effort_s, dwell_s)
    way = Way.HALVES if halves_s < singly_s else Way.ONE_AT_A_TIME
    off_first = order if way is Way.ONE_AT_A_TIME else order[1::2]  # every second one: about half of the suspicion
    steps = (
        Step(action=ActionKind.POWER_OFF, part=None),
        *(Step(action=ActionKind.UNPLUG, part=b) for b in off_first),
        Step(action=ActionKind.POWER_ON, part=None),
    )
    return FreshStart(
        way=way,
        order=tuple(order),
        steps=steps,
        time_s=min(singly_s, halves_s),
        other_s=max(singly_s, halves_s),
        cautions=machine.cautions,
    )


def _singly_s(order: list[str], mass: dict[str, float], effort_s: dict[str, float], dwell_s: float) -> float:
    """All off, then restored in order until one troubles; the last needs no watching."""
    total = sum(mass.values())
    spent_s = sum(effort_s.values()) + _POWER_S
    expected_s = 0.0
    for k, branch in enumerate(order):
        if k < len(order) - 1:
            spent_s += effort_s[branch] + dwell_s + _WALK_S
        expected_s += mass[branch] / total * spent_s
    return expected_s


def _halves_s(order: list[str], effort_s: dict[str, float], dwell_s: float) -> float:
    """Half of what is left moved at each test, as often as the information bound asks."""
    n, mean_s = len(order), sum(effort_s.values()) / max(len(order), 1)
    spent_s, left = 0.0, float(n)
    for _ in range(fewest_tests(n) if n else 0):
        spent_s += left / 2.0 * mean_s + _POWER_S + dwell_s + _WALK_S
        left /= 2.0
    return spent_s
