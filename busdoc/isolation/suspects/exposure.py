"""Whom every part could trouble, between one action and the next, as arrays over parts and controllers.

Takes the map and the actions; gives, for each stretch between actions, which parts an unbroken chain of plugged
sockets joined to which controllers, and what each action took away or newly exposed. Press times are not looked at,
only the order; what is plugged where is `busdoc.actions.plugged`'s to say.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.arrays import BoolArray, Int64Array
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine

__all__ = ["THE_MACHINE", "Changes", "Reach", "find_reach", "with_controllers"]

THE_MACHINE = "the machine"
"""In place of a controller, where nobody knows at which one a symptom shows: whatever reaches any of them reaches it
(a name, by definition)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Where one stretch differs from the one before, ascending by action, N entries."""

    action: Int64Array
    """(N,) the action between the two."""
    part: Int64Array
    controller: Int64Array
    gained: BoolArray
    """(N,) the part can trouble the controller from then on; else it cannot any more."""

    def at(self, controller: int) -> "Changes":
        """Give those of one controller."""
        return self._where(self.controller == controller)

    def of(self, part: int) -> "Changes":
        """Give those of one part."""
        return self._where(self.part == part)

    def among(self, hit: BoolArray) -> "Changes":
        """Give those of any of these (C,) controllers."""
        return self._where(hit[self.controller])

    def lost(self) -> "Changes":
        """Give those that are not gained."""
        return self._where(~self.gained)

    def _where(self, kept: BoolArray) -> "Changes":
        return Changes(
            action=self.action[kept],
            part=self.part[kept],
            controller=self.controller[kept],
            gained=self.gained[kept],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Reach:
    """Parts (P, controllers of the map among them), controllers (C) and n actions: n + 1 stretches between them."""

    parts: tuple[str, ...]
    controllers: tuple[str, ...]
    reaches: BoolArray
    """(n + 1, P, C): the part can trouble the controller, whether there is power or not: a controller that is heard
    proves by itself that there is."""
    takes: BoolArray
    """(n, C): the action takes the controller's supply, connector or bus away, for a moment or for longer."""
    exposing: Changes
    """Which actions make which parts able to trouble a controller with power, which they were not before."""
    odd: BoolArray
    """(n,): the press does not fit what was written down before it (plugged twice, unplugged twice)."""
    touched: BoolArray
    """(n, P): the action moves the part, or something that it hangs on."""
    last: PlugState
    """After the last action."""

    @cached_property
    def changes(self) -> Changes:
        """What each action changes of whom the parts reach: little, of a table that may be large."""
        found: list[tuple[int, Int64Array, Int64Array]] = []
        for m in range(len(self.reaches) - 1):
            at = np.flatnonzero(self.reaches[m] ^ self.reaches[m + 1])  # a good deal faster than in two dimensions
            if len(at):
                found.append((m, *np.divmod(at, self.reaches.shape[2])))
        action = np.repeat(
            np.array([m for m, _, _ in found], np.int64), np.array([len(part) for _, part, _ in found], np.int64)
        )
        part = np.concatenate([np.empty(0, np.int64), *(one for _, one, _ in found)])
        controller = np.concatenate([np.empty(0, np.int64), *(one for _, _, one in found)])
        return Changes(
            action=action, part=part, controller=controller, gained=self.reaches[action + 1, part, controller]
        )

    def exposes(self, hit: BoolArray) -> BoolArray:
        """(n, P): the action makes the part able to trouble one of these (C,) controllers, with power."""
        found = np.zeros(self.touched.shape, np.bool_)
        those = self.exposing.among(hit)
        found[those.action, those.part] = True
        return found

    @cached_property
    def ever(self) -> BoolArray:
        """(P, C) the part can trouble the controller at some time."""
        ever: BoolArray = self.reaches[0].copy()
        ever[self.changes.part, self.changes.controller] = True
        return ever

    @cached_property
    def moved(self) -> BoolArray:
        """(P, C) the part can trouble the controller at some times and not at others."""
        moved: BoolArray = np.zeros(self.reaches.shape[1:], np.bool_)
        moved[self.changes.part, self.changes.controller] = True
        return moved


def with_controllers(machine: Machine, names: Iterable[str]) -> Machine:
    """Add controllers that the capture knows and the map does not: on no feed and no segment that is known."""
    missing = [name for name in dict.fromkeys(names) if name not in machine.controllers]
    if not missing:
        return machine
    added = {name: Controller(spec=ControllerSpec(name=name)) for name in missing}
    parts = {name: part for name, part in machine.parts.items() if name not in added}
    return replace(machine, controllers={**machine.controllers, **added}, parts=parts)


_last: list[tuple[Machine, tuple[Action, ...], bool, Reach]] = []
"""What was asked last: attribution and verdict ask the same one after the other, and a screen again and again."""


def find_reach(machine: Machine, actions: Sequence[Action], *, as_one: bool = False) -> Reach:
    """Replay the actions on the map; the same question again has its answer at once, so nobody may write into it.

    Parameters
    ----------
    machine : the map, with every controller of the capture (`with_controllers`)
    actions : in the order of their times
    as_one : give `THE_MACHINE` a column of its own, the last
    """
    asked = (machine, tuple(actions), as_one)
    if not _last or _last[0][:3] != asked:
        _last[:] = [(*asked, _replayed(machine, actions, as_one=as_one))]
    return _last[0][3]


def _replayed(machine: Machine, actions: Sequence[Action], *, as_one: bool) -> Reach:
    state = opening_state(machine, actions)
    names = (*machine.controllers, *([THE_MACHINE] if as_one else []))
    parts = tuple(dict.fromkeys((*machine.controllers, *machine.parts, *state.place_of)))
    row, column = {part: p for p, part in enumerate(parts)}, {name: c for c, name in enumerate(names)}
    n, n_parts, n_names = len(actions), len(parts), len(names)
    reaches = np.zeros((n + 1, n_parts, n_names), np.bool_)
    takes, odd = np.zeros((n, n_names), np.bool_), np.empty(n, np.bool_)
    touched = np.zeros((n, n_parts), np.bool_)
    exposed: list[tuple[int, int, int]] = []
    rows_of: dict[frozenset[str], Int64Array] = {}
    _note(reaches[0], state, names, row, column, rows_of)
    for m, action in enumerate(actions):
        after = state.after(action)
        odd[m] = _is_odd(state, action)
        reaches[m + 1] = reaches[m]
        if action.kind not in (*POWER_KINDS, *REMARKS):
            troubled = (*state.touched_by(action, after), *names[len(machine.controllers) :])
            _note(reaches[m + 1], after, troubled, row, column, rows_of)
            moved = state.hanging_on(name for name in (action.part, action.into) if name is not None)
            touched[m, [row[part] for part in moved if part in row]] = True
        effect = state.effect(action)
        for name in effect.taken:
            takes[m, column[name]] = True
        if as_one:
            takes[m, -1] = action.kind in POWER_KINDS
            joined = reaches[m + 1, :, -1] & (~reaches[m, :, -1] | _gives_power(action))
            exposed += [(m, p, n_names - 1) for p in np.flatnonzero(joined).tolist()]
        for name, gained in effect.newly_exposed.items():
            exposed += [(m, row[part], column[name]) for part in gained if part in row]
        state = after
    for table in (reaches, takes, odd, touched):
        table.setflags(write=False)
    return Reach(
        parts=parts,
        controllers=names,
        reaches=reaches,
        takes=takes,
        exposing=_listed(exposed),
        odd=odd,
        touched=touched,
        last=state,
    )


def _listed(exposed: Sequence[tuple[int, int, int]]) -> Changes:
    action, part, controller = np.array(exposed, np.int64).reshape(-1, 3).T
    return Changes(action=action, part=part, controller=controller, gained=np.ones(len(action), np.bool_))


def _gives_power(action: Action) -> bool:
    return action.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)


def _note(
    reaches: BoolArray,
    state: PlugState,
    names: Iterable[str],
    row: dict[str, int],
    column: dict[str, int],
    rows_of: dict[frozenset[str], Int64Array],
) -> None:
    """Write down which parts reach these controllers with the plugs as they are and all the power on.

    `rows_of` keeps the rows of each set of parts from one state to the next.
    """
    switched_on = replace(state, main_on=True, switched_off=frozenset())
    for name in names:
        c = column[name]
        exposed = switched_on.exposed(name)
        if exposed not in rows_of:
            rows_of[exposed] = np.array([row[part] for part in exposed if part in row], np.int64)
        reaches[:, c] = False
        reaches[rows_of[exposed], c] = True
        if name == THE_MACHINE:  # the last one
            reaches[:, c] |= reaches[:, :c].any(axis=1)
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
