"""Whom every part could trouble, between one action and the next, as arrays over parts and controllers.

Takes the map and the actions; gives, for each stretch between actions, which parts an unbroken chain of plugged
sockets joined to which controllers, and what each action took away or newly exposed. Press times are not looked at,
only the order; what is plugged where is `busdoc.actions.plugged`'s to say.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.arrays import BoolArray, Int64Array
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine

__all__ = ["THE_MACHINE", "Reach", "find_reach", "with_controllers"]

THE_MACHINE = "the machine"
"""In place of a controller, where nobody knows at which one a symptom shows: whatever reaches any of them reaches it
(a name, by definition)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reach:
    """Parts (P, controllers of the map among them), controllers (C) and n actions: n + 1 stretches between them."""

    parts: tuple[str, ...]
    controllers: tuple[str, ...]
    reaches: BoolArray
    """(n + 1, P, C): the part can trouble the controller, whether there is power or not: a controller that is heard
    proves by itself that there is."""
    takes: BoolArray
    """(n, C): the action takes the controller's supply, connector or bus away, for a moment or for longer."""
    exposes: BoolArray
    """(n, P, C): the action makes the part able to trouble the controller with power, which it was not before."""
    odd: BoolArray
    """(n,): the press does not fit what was written down before it (plugged twice, unplugged twice)."""
    touched: BoolArray
    """(n, P): the action moves the part, or something that it hangs on."""
    last: PlugState
    """After the last action."""


def with_controllers(machine: Machine, names: Iterable[str]) -> Machine:
    """Add controllers that the capture knows and the map does not: on no feed and no segment that is known."""
    missing = [name for name in dict.fromkeys(names) if name not in machine.controllers]
    if not missing:
        return machine
    added = {name: Controller(spec=ControllerSpec(name=name)) for name in missing}
    parts = {name: part for name, part in machine.parts.items() if name not in added}
    return replace(machine, controllers={**machine.controllers, **added}, parts=parts)


def find_reach(machine: Machine, actions: Sequence[Action], *, as_one: bool = False) -> Reach:
    """Replay the actions on the map.

    Parameters
    ----------
    machine : the map, with every controller of the capture (`with_controllers`)
    actions : in the order of their times
    as_one : give `THE_MACHINE` a column of its own, the last
    """
    state = opening_state(machine, actions)
    names = (*machine.controllers, *([THE_MACHINE] if as_one else []))
    parts = tuple(dict.fromkeys((*machine.controllers, *machine.parts, *state.place_of)))
    row, column = {part: p for p, part in enumerate(parts)}, {name: c for c, name in enumerate(names)}
    n, n_parts, n_names = len(actions), len(parts), len(names)
    reaches = np.zeros((n + 1, n_parts, n_names), np.bool_)
    takes, odd = np.zeros((n, n_names), np.bool_), np.empty(n, np.bool_)
    exposes, touched = np.zeros((n, n_parts, n_names), np.bool_), np.zeros((n, n_parts), np.bool_)
    rows_of: dict[frozenset[str], Int64Array] = {}
    _note(reaches[0], state, row, column, rows_of)
    for m, action in enumerate(actions):
        after = state.after(action)
        odd[m] = _is_odd(state, action)
        if action.kind in (*POWER_KINDS, *REMARKS):
            reaches[m + 1] = reaches[m]
        else:
            _note(reaches[m + 1], after, row, column, rows_of)
            moved = state.hanging_on(name for name in (action.part, action.into) if name is not None)
            touched[m, [row[part] for part in moved if part in row]] = True
        effect = state.effect(action)
        for name in effect.taken:
            takes[m, column[name]] = True
        if as_one:
            takes[m, -1] = action.kind in POWER_KINDS
            exposes[m, :, -1] = reaches[m + 1, :, -1] & (~reaches[m, :, -1] | _gives_power(action))
        for name, gained in effect.newly_exposed.items():
            exposes[m, [row[part] for part in gained if part in row], column[name]] = True
        state = after
    return Reach(
        parts=parts,
        controllers=names,
        reaches=reaches,
        takes=takes,
        exposes=exposes,
        odd=odd,
        touched=touched,
        last=state,
    )


def _gives_power(action: Action) -> bool:
    return action.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)


def _note(
    reaches: BoolArray,
    state: PlugState,
    row: dict[str, int],
    column: dict[str, int],
    rows_of: dict[frozenset[str], Int64Array],
) -> None:
    """Write down whom each part reaches with the plugs as they are and all the power on.

    `rows_of` keeps the rows of each set of parts from one state to the next.
    """
    switched_on = replace(state, main_on=True, switched_off=frozenset())
    for name, c in column.items():
        exposed = switched_on.exposed(name)
        if name == THE_MACHINE:
            exposed = exposed.union(*(switched_on.exposed(one) for one in switched_on.machine.controllers))
        if exposed not in rows_of:
            rows_of[exposed] = np.array([row[part] for part in exposed if part in row], np.int64)
        reaches[rows_of[exposed], c] = True
    replaced = [row[part] for part, count in state.specimens.items() if count and part in row]
    reaches[replaced] = False  # a replaced one is off the machine, fault and all


def _is_odd(state: PlugState, action: Action) -> bool:
    part = action.part
    if action.kind is ActionKind.PLUG and part is not None:
        same_place = action.into is None or action.into == state.place_of.get(part)
        return state.plugged(part) and same_place
    if action.kind is ActionKind.UNPLUG and part is not None:
        return not state.plugged(part)
    return False
