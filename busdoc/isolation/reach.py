"""Whom every part could trouble, between one action and the next, as arrays over parts and controllers.

Takes the map and the actions; gives, for each stretch between actions, which parts an unbroken chain of plugged
sockets joined to which controllers, which controllers had supply and a path to the diagnostic port, and what each
action took away or newly exposed. Press times are not looked at, only the order. Without a map the parts are those
that the actions name, and any of them may trouble any controller.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.machine import Machine, PartKind
from busdoc.arrays import BoolArray

__all__ = ["Reach", "find_reach"]

_POWER = (ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reach:
    """Parts (P, controllers of the map among them), controllers (C) and n actions: n + 1 stretches between them."""

    parts: tuple[str, ...]
    controllers: tuple[str, ...]
    reaches: BoolArray
    """(n + 1, P, C): the part can trouble the controller, whether there is power or not."""
    supplied: BoolArray
    """(n + 1, C)"""
    joined: BoolArray
    """(n + 1, C): its own connector and every bus segment up to the diagnostic port are in."""
    takes: BoolArray
    """(n, C): the action takes the controller's supply, connector or bus away, for a moment or for longer."""
    exposes: BoolArray
    """(n, P, C): the action makes the part able to trouble the controller with power, which it was not before."""
    odd: BoolArray
    """(n,): the press does not fit what was written down before it (plugged twice, unplugged twice)."""
    touched: BoolArray
    """(n, P): the action moves the part, or something that it hangs on."""


class _Plugs:
    """What is plugged where while the actions are replayed."""

    def __init__(self, machine: Machine, controllers: Sequence[str], loose: Sequence[str]) -> None:
        self.machine = machine
        self.controllers = tuple(controllers)
        self.loose = frozenset(loose)  # parts that no map knows: they may trouble anybody
        self.owner: dict[str, str | None] = {name: part.owner for name, part in machine.parts.items()}
        self.out: set[str] = set()
        self.off: set[str] = set()
        self.main_on = True
        self.place = {name: name for name in controllers}  # unit -> the place in which it sits
        self.replaced: set[str] = set()

    def above(self, name: str) -> tuple[str, ...]:
        """Give a part and everything that it hangs on, nearest first."""
        chain: list[str] = []
        here: str | None = name
        while here is not None and here not in chain:
            chain.append(here)
            here = self.owner.get(here)
        return tuple(chain)

    def supplied(self, controller: str) -> bool:
        known = self.machine.controllers.get(controller)
        if not self.main_on or controller in self.out:
            return False
        if known is None or known.feed is None:
            return True
        return not any(feed in self.off or feed in self.out for feed in self.above(known.feed))

    def joined(self, controller: str) -> bool:
        known = self.machine.controllers.get(controller)
        if controller in self.out:
            return False
        return known is None or known.segment is None or not any(s in self.out for s in self.above(known.segment))

    def reached_by(self, part: str) -> tuple[str, ...]:
        """Name the controllers that a fault of this part can trouble as the plugs are, powered or not."""
        if part in self.place:
            return (self.place[part],) if self.place[part] not in self.out else ()
        if part in self.loose:
            return self.controllers if part not in self.out else ()
        known = self.machine.parts.get(part)
        if known is None:
            return ()
        if known.kind is PartKind.FEED:
            below = (
                n for n, c in self.machine.controllers.items() if c.feed is not None and part in self.above(c.feed)
            )
            return tuple(below) if part not in self.out else ()
        if known.kind is PartKind.SEGMENT:
            beyond = (
                n
                for n, c in self.machine.controllers.items()
                if c.segment is not None and part in self.above(c.segment)
            )
            return tuple(beyond) if part not in self.out else ()
        for name in self.above(part):
            if name in self.machine.controllers:
                return (name,) if name not in self.out else ()
            if name in self.out:
                return ()
            at = self.machine.parts.get(name)
            if at is not None and at.kind in (PartKind.FEED, PartKind.SEGMENT):
                return self.reached_by(name)
        return ()

    def apply(self, action: Action) -> bool:
        """Change the plugs as the action does; give whether it fits what was there."""
        part = action.part
        if action.kind in (ActionKind.POWER_OFF, ActionKind.POWER_ON):
            return self._switch(part, on=action.kind is ActionKind.POWER_ON)
        if part is None:
            return True
        if action.kind is ActionKind.UNPLUG:
            fits = part not in self.out
            self.out.add(part)
            return fits
        if action.kind is ActionKind.PLUG:
            fits = part in self.out
            self.out.discard(part)
            if action.into and part in self.owner:
                owner = action.into.partition(":")[0]
                if owner in self.machine and part not in self.above(owner):
                    fits = fits or owner != self.owner[part]
                    self.owner[part] = owner
            return fits
        if action.kind is ActionKind.SWAP and action.into is not None:
            self._swap(part, action.into)
        elif action.kind is ActionKind.REPLACE:
            self.replaced.add(part)
        return True

    def _switch(self, feed: str | None, *, on: bool) -> bool:
        if feed is None or feed not in self.machine:
            fits = self.main_on is not on
            self.main_on = on
            return fits
        fits = (feed in self.off) is on
        if on:
            self.off.discard(feed)
        else:
            self.off.add(feed)
        return fits

    def _swap(self, one: str, other: str) -> None:
        if one in self.place and other in self.place:
            self.place[one], self.place[other] = self.place[other], self.place[one]
        elif one in self.owner and other in self.owner:
            if one in self.above(other) or other in self.above(one):
                return  # a part cannot change places with what it hangs on
            self.owner[one], self.owner[other] = self.owner[other], self.owner[one]


def find_reach(
    machine: Machine, actions: Sequence[Action], controllers: Iterable[str] = (), *, plugged_first: bool = True
) -> Reach:
    """Replay the actions on the map.

    Parameters
    ----------
    machine : the map; may be empty
    actions : in the order of their times
    controllers : further controllers that the capture knows and the map does not
    plugged_first : a part whose first recorded action is a plug was unplugged before; likewise power
    """
    names = tuple(dict.fromkeys((*machine.controllers, *controllers)))
    spoken = [name for a in actions if a.kind not in (*_POWER, ActionKind.MARK) for name in (a.part, a.into) if name]
    loose = tuple(n for n in dict.fromkeys(spoken) if n not in machine and n not in names and ":" not in n)
    loose = loose if not machine.parts else ()
    parts = (*names, *machine.parts, *loose)
    plugs = _Plugs(machine, names, loose)
    if plugged_first:
        _assume_start(plugs, actions)
    n, index = len(actions), {name: k for k, name in enumerate(names)}
    reaches = np.zeros((n + 1, len(parts), len(names)), np.bool_)
    supplied, joined = np.zeros((n + 1, len(names)), np.bool_), np.zeros((n + 1, len(names)), np.bool_)
    takes, odd = np.zeros((n, len(names)), np.bool_), np.zeros(n, np.bool_)
    exposes, touched = np.zeros((n, len(parts), len(names)), np.bool_), np.zeros((n, len(parts)), np.bool_)

    def note(m: int) -> None:
        supplied[m] = [plugs.supplied(name) for name in names]
        joined[m] = [plugs.joined(name) for name in names]
        for p, part in enumerate(parts):
            if part in plugs.replaced:
                continue  # the faulty one is off the machine
            for name in plugs.reached_by(part):
                reaches[m, p, index[name]] = True

    def live(m: int) -> BoolArray:
        with_power: BoolArray = reaches[m] & supplied[m]
        return with_power

    note(0)
    for m, action in enumerate(actions):
        kind, part = action.kind, action.part
        above = {name: plugs.above(name) for name in parts}
        moved = {part, action.into} if kind is ActionKind.SWAP else {part} if kind not in _POWER else set()
        touched[m] = [bool(moved & set(above[name])) for name in parts]
        if kind is ActionKind.POWER_CYCLE:
            plugs.apply(_as(action, ActionKind.POWER_OFF))
            below = np.array([plugs.supplied(name) for name in names], np.bool_)
            takes[m] = supplied[m] & ~below
            plugs.apply(_as(action, ActionKind.POWER_ON))
            note(m + 1)
            exposes[m] = live(m + 1) & ~(live(m) & below)
            continue
        odd[m] = not plugs.apply(action)
        note(m + 1)
        takes[m] = (supplied[m] & ~supplied[m + 1]) | (joined[m] & ~joined[m + 1])
        exposes[m] = live(m + 1) & ~live(m)
        if kind in (ActionKind.SWAP, ActionKind.REPLACE):
            hands_on = [name in (part, action.into) for name in names]
            takes[m] |= supplied[m] & np.array(hands_on, np.bool_)
            exposes[m] |= live(m + 1) & touched[m][:, None]
    return Reach(
        parts=parts,
        controllers=names,
        reaches=reaches,
        supplied=supplied,
        joined=joined,
        takes=takes,
        exposes=exposes,
        odd=odd,
        touched=touched,
    )


def _assume_start(plugs: _Plugs, actions: Sequence[Action]) -> None:
    seen: set[tuple[bool, str | None]] = set()
    for action in actions:
        power = action.kind in _POWER
        key = (power, action.part)
        if key in seen or action.kind in (ActionKind.MARK, ActionKind.WIGGLE, ActionKind.REPLACE, ActionKind.SWAP):
            continue
        seen.add(key)
        if action.kind is ActionKind.PLUG and action.part is not None and action.into is None:
            plugs.out.add(action.part)
        elif action.kind is ActionKind.POWER_ON:
            plugs.apply(_as(action, ActionKind.POWER_OFF))


def _as(action: Action, kind: ActionKind) -> Action:
    return Action(n=action.n, time_ns=action.time_ns, uncertainty_ns=action.uncertainty_ns, kind=kind, part=action.part)
