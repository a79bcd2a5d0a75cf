"""The harness as a tree: what hangs on what, what is plugged now, what is suspected or cleared."""

from collections.abc import Collection, Iterable, Iterator, Mapping

from busdoc.actions.plugged import PlugState
from busdoc.isolation.verdict import ELSEWHERE, Suspect
from busdoc.live.view import HarnessRow
from busdoc.machine.machine import Machine, PartKind

__all__ = ["BRANCH", "connectors", "harness_rows", "not_back"]

BRANCH = "branch"
"""The kind of a part that no map names."""


def harness_rows(
    machine: Machine,
    state: PlugState,
    suspects: Iterable[Suspect],
    labels: Mapping[str, int],
    repaired: Collection[str] = (),
) -> tuple[HarnessRow, ...]:
    """Give the rows in the order in which the tree is drawn: supply down to the sensors, then the bus wiring.

    Parameters
    ----------
    machine : the map; may be empty
    state : what is plugged and switched on now, with the branches off the map that were named
    suspects : of the last verdict
    labels : numbers taped onto connectors
    repaired : parts whose repair is being proved, or is
    """
    by_part = {suspect.part: suspect for suspect in suspects}
    rows = []
    for name, depth in _in_order(machine, state):
        part = machine.parts.get(name)
        suspect = by_part.get(name)
        controller = machine.controllers.get(name)
        rows.append(
            HarnessRow(
                name=name,
                kind=part.kind.value if part is not None else "controller" if controller is not None else BRANCH,
                depth=depth,
                plugged=state.plugged(name),
                powered=_powered(machine, state, name),
                label=labels.get(name),
                probability=None if suspect is None or name in repaired else suspect.probability,
                repaired=name in repaired,
                cleared=suspect is not None and suspect.cleared,
                unsafe_live=(part or controller).unsafe_live if (part or controller) is not None else False,  # type: ignore[union-attr]
                swaps_with=() if part is None else part.swaps_with,
            )
        )
    return tuple(rows)


def _powered(machine: Machine, state: PlugState, name: str) -> bool:
    part = machine.parts.get(name)
    if name in machine.controllers:
        return state.powered(name)
    if part is not None and part.kind is PartKind.FEED:
        return state.live(name)
    home = machine.home(name) if part is not None else None
    return state.main_on if home is None else state.powered(home)


def _in_order(machine: Machine, state: PlugState) -> Iterator[tuple[str, int]]:
    """Give every name once with its depth; a controller stands under its feed, what no map names at the end."""
    drawn: set[str] = set()

    def below(name: str, depth: int) -> Iterator[tuple[str, int]]:
        if name in drawn:
            return
        drawn.add(name)
        yield name, depth
        for lower in machine.hanging_on(name):
            if lower in machine.controllers and machine.controllers[lower].feed not in (name, None):
                continue  # it hangs here by the bus, and stands under what supplies it
            yield from below(lower, depth + 1)

    roots = [part.name for part in machine.parts.values() if part.owner is None and part.kind is PartKind.FEED]
    unfed = [one.name for one in machine.controllers.values() if one.feed is None and one.segment is None]
    others = [part.name for part in machine.parts.values() if part.owner is None and part.kind is not PartKind.FEED]
    for root in (*roots, *unfed, *others, *machine.controllers, *machine.parts):
        yield from below(root, 0)
    for name in state.place_of:
        if name not in machine and name not in drawn:
            yield name, 0


def connectors(machine: Machine, state: PlugState) -> tuple[str, ...]:
    """Name what has a connector to tape a number on: everything that can be unplugged, in the order of the tree."""
    return tuple(name for name, _ in _in_order(machine, state) if name != ELSEWHERE)


def not_back(machine: Machine, first: PlugState, now: PlugState) -> tuple[str, ...]:
    """Say of each thing that is not as it was at the start what is to be done about it."""
    said = []
    if not now.main_on and first.main_on:
        said.append("the machine is switched off")
    said += [f"{feed} is switched off" for feed in sorted(now.switched_off - first.switched_off)]
    said += [f"{part} is still unplugged" for part in sorted(now.unplugged - first.unplugged)]
    for part, place in now.place_of.items():
        was = first.place_of.get(part, place)
        if place != was and place is not None and part not in now.unplugged:
            said.append(f"{part} sits in {place}, it came from {was or 'elsewhere'}")
    for place, unit in now.unit_at.items():
        if first.unit_at.get(place, unit) != unit and place in machine.controllers:
            said.append(f"{unit} sits in the place of {place}")
    return tuple(said)
