"""What is joined to what on a simulated machine right now: plugs, places, switches, units.

This is the simulation's own notion of exposure and supply. It shares the map's records with the analysis and nothing
else, so that the two check each other.
"""

from collections.abc import Iterator

from busdoc.actions.action import ActionKind
from busdoc.machine.machine import Machine, PartKind

__all__ = ["Wiring"]


class Wiring:
    """The plugs of a machine, all of them made at the start, with its supply switched on or off.

    Parameters
    ----------
    machine : the map; a part that hangs on nothing is taken as plugged into nothing
    powered : whether the main switch is on at the start
    """

    def __init__(self, machine: Machine, *, powered: bool = True) -> None:
        self._machine = machine
        self.main_on = powered
        self._switched_off: set[str] = set()
        self._unplugged: set[str] = set()
        self._owner: dict[str, str | None] = {name: part.owner for name, part in machine.parts.items()}
        self._socket: dict[str, str | None] = {name: part.socket for name, part in machine.parts.items()}
        self._unit_at: dict[str, str] = {name: name for name in machine.controllers}

    def apply(self, kind: ActionKind, part: str | None, into: str | None) -> None:
        """Change the plugs and switches as one action does; a wiggle, a mark and a replacement change none.

        Raises
        ------
        ValueError : when the action needs a part and has none, or names one that the machine does not have
        """
        if kind in (ActionKind.POWER_OFF, ActionKind.POWER_ON):
            self._switch(part, on=kind is ActionKind.POWER_ON)
        elif kind is ActionKind.UNPLUG:
            self._unplugged.add(self._known(part))
        elif kind is ActionKind.PLUG:
            self._plug(self._known(part), into)
        elif kind is ActionKind.SWAP:
            self._swap(self._known(part), self._known(into))

    def is_plugged(self, name: str) -> bool:
        """Whether this part's own plug is in its socket."""
        return name not in self._unplugged

    def has_supply(self, feed: str) -> bool:
        """Whether current reaches a feed: every feed above it is plugged and switched on, and so is it."""
        if not self.main_on:
            return False
        return all(above not in self._switched_off and above not in self._unplugged for above in self._upwards(feed))

    def has_power(self, controller: str) -> bool:
        """Whether a controller's own connector is in and its feed live."""
        if controller in self._unplugged:
            return False
        feed = self._machine.controllers[controller].feed
        return self.main_on if feed is None else self.has_supply(feed)

    def is_joined(self, controller: str) -> bool:
        """Whether every segment between a controller and the diagnostic port is plugged."""
        segment = self._machine.controllers[controller].segment
        return segment is None or not any(above in self._unplugged for above in self._upwards(segment))

    def loses_bus_with(self, segment: str) -> tuple[str, ...]:
        """Name the controllers that are heard through a segment."""
        return tuple(
            name
            for name, controller in self._machine.controllers.items()
            if controller.segment is not None and segment in self._upwards(controller.segment)
        )

    def troubled_by(self, part: str) -> tuple[str, ...]:
        """Name the controllers that a fault of this part can reach as the plugs are now, powered or not."""
        if part in self._unit_at:
            return tuple(place for place, unit in self._unit_at.items() if unit == part)
        kind = self._machine.parts[part].kind
        if kind is PartKind.FEED:
            return tuple(
                name
                for name, controller in self._machine.controllers.items()
                if controller.feed is not None and part in self._upwards(controller.feed)
            )
        if kind is PartKind.SEGMENT:
            return self.loses_bus_with(part) if part not in self._unplugged else ()
        here: str | None = part
        seen: set[str] = set()
        while here is not None and here not in seen:
            if here in self._machine.controllers:
                return (here,)
            if here in self._unplugged:
                return ()
            seen.add(here)
            here = self._owner.get(here)
        return ()

    def hangs_on(self, part: str, other: str) -> bool:
        """Whether a part is this other one, or hangs on it through any number of plugs."""
        return other in self._upwards(part)

    def _upwards(self, name: str) -> Iterator[str]:
        seen: set[str] = set()
        here: str | None = name
        while here is not None and here not in seen:
            yield here
            seen.add(here)
            here = self._owner.get(here)

    def _known(self, name: str | None) -> str:
        if name is None or name not in self._machine:
            raise ValueError(f"the machine has no part {name!r}")
        return name

    def _switch(self, feed: str | None, *, on: bool) -> None:
        if feed is None:
            self.main_on = on
        elif on:
            self._switched_off.discard(self._known(feed))
        else:
            self._switched_off.add(self._known(feed))

    def _plug(self, part: str, into: str | None) -> None:
        self._unplugged.discard(part)
        if into and part in self._owner:
            owner, _, socket = into.partition(":")
            self._owner[part] = self._known(owner)
            self._socket[part] = socket or None

    def _swap(self, one: str, other: str) -> None:
        if one in self._unit_at and other in self._unit_at:
            self._unit_at[one], self._unit_at[other] = self._unit_at[other], self._unit_at[one]
            return
        if one in self._unit_at or other in self._unit_at:
            raise ValueError(f"{one!r} and {other!r} cannot change places: one of them is a controller")
        self._owner[one], self._owner[other] = self._owner[other], self._owner[one]
        self._socket[one], self._socket[other] = self._socket[other], self._socket[one]
