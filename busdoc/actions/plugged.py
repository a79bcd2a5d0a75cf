"""What is plugged into what and which feeds are on, at any time: the journal replayed on the map.

Unplugging a part takes all that hangs on it off the machine. A part is exposed to a controller while an unbroken chain
of plugged sockets joins them and the controller has power:

    battery ── fuse-3 ────────┐
                              hopper ── harness-A ── gate-angle
    front-trunk ── rear-trunk ┘

All of these are exposed to the hopper, and so is what hangs on its feeds and segments without a controller between (a
terminator, say). With the rear trunk unplugged the hopper goes on unheard, and neither trunk is exposed to it.

A part that the map does not have (a technician without a map names branches as they go) hangs on nothing known and is
taken as joined to every controller, unless the journal says where it was plugged in.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.machine.machine import Machine, PartKind

__all__ = ["Effect", "PlugState", "Span", "exposure_timeline", "opening_state"]

_ALL_IN: frozenset[str] = frozenset()
_TREE_KINDS = (PartKind.FEED, PartKind.SEGMENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one action does at its instant; an action that takes and gives back does both."""

    taken: frozenset[str]
    """Controllers that were heard before and lose power, bus or connector by it, if only for a moment."""
    given_back: frozenset[str]
    """Controllers that gain power, bus or connector by it, and can be heard then."""
    newly_exposed: Mapping[str, frozenset[str]]
    """By controller, the parts that it joins to it anew."""
    removed: Mapping[str, frozenset[str]]
    """By controller, the parts that it takes off it, if only for a moment."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PlugState:
    """The plugs and switches of a machine at one time; `after` gives the next state.

    Parts that changed places are followed, and so are replaced specimens and controllers that sit in another's place.
    """

    machine: Machine
    main_on: bool = True
    switched_off: frozenset[str] = frozenset()
    """Feeds that are switched off."""
    unplugged: frozenset[str] = frozenset()
    place_of: Mapping[str, str | None]
    """By part, what it is plugged into or was last: `owner:socket` or owner."""
    home_of: Mapping[str, str | None]
    """By part, its place on the map, or the one that a swap gave it."""
    unit_at: Mapping[str, str]
    """By a controller's place, the controller that sits in it."""
    specimens: Mapping[str, int]
    """By part, how often it was replaced; absent: never."""
    tree: list[dict[str | None, list[str]]] = field(default_factory=list, repr=False)
    """What has its place where (`_placed_in`, `_owned_by`), once asked for; all states with the same places share
    it."""
    walks: dict[tuple[str, str], dict[frozenset[str], frozenset[str]]] = field(default_factory=dict, repr=False)
    """By controller and the unit in it, what is joined by which of the plugs that matter to it are out; shared
    likewise."""
    near: list[dict[str, tuple[str, ...]]] = field(default_factory=list, repr=False)
    """By plug, the controllers to which it matters, once asked for; all states with the same places and units share
    it."""

    @staticmethod
    def all_plugged(machine: Machine, off_map: Iterable[str] = ()) -> "PlugState":
        """Give the state in which everything is plugged into its place and switched on.

        Parameters
        ----------
        off_map : parts that the map does not have
        """
        places: dict[str, str | None] = {
            part.name: f"{part.owner}:{part.socket}" if part.owner and part.socket else part.owner
            for part in machine.parts.values()
        }
        places |= {name: None for name in off_map if name not in machine}
        units = {name: name for name in machine.controllers}
        return PlugState(machine=machine, place_of=places, home_of=places, unit_at=units, specimens={})

    def plugged(self, name: str) -> bool:
        """Whether this thing's own plug is in its socket."""
        return name not in self.unplugged

    def owner_of(self, part: str) -> str | None:
        """Name what a part is plugged into, or was last."""
        place = self.place_of.get(part)
        return None if place is None else place.partition(":")[0]

    def joined(self, part: str) -> bool:
        """Whether plugs lead without a break to the nearest controller above, or to where the tree begins.

        For a feed that is the supply, for a segment the diagnostic port; for a controller its own connector counts.
        """
        return self.plugged(part) and all(self.plugged(above) for above in self._chain(part)[1:])

    def live(self, feed: str) -> bool:
        """Whether current reaches a feed: it and every feed above it are plugged and switched on."""
        if feed not in self._live:
            self._live[feed] = self.joined(feed) and self.switched_off.isdisjoint(self._chain(feed))
        return self.main_on and self._live[feed]

    def powered(self, controller: str) -> bool:
        """Whether a controller's own connector is in and its feed live."""
        if not self.main_on or not self.plugged(controller):
            return False
        known = self.machine.controllers.get(controller)
        return known is None or known.feed is None or self.live(known.feed)

    def heard(self, controller: str) -> bool:
        """Whether a controller has power and an unbroken bus to the diagnostic port."""
        known = self.machine.controllers.get(controller)
        return self.powered(controller) and (known is None or known.segment is None or self.joined(known.segment))

    def hanging_on(self, names: Iterable[str]) -> set[str]:
        """Name these and whatever has its place on one of them, directly or not, plugged or not."""
        found = set(names)
        queue = list(found)
        while queue:
            here = queue.pop()
            for part in self._owned_by.get(here, ()):
                if part not in found:
                    found.add(part)
                    queue.append(part)
        return found

    def exposed(self, controller: str) -> frozenset[str]:
        """Name what can trouble a controller now: whatever is joined to it, itself among it; nothing without power.

        In a place where controllers changed, `itself` is the one that sits there now.
        """
        if controller not in self._exposed:
            self._exposed[controller] = self._find_exposed(controller) if self.powered(controller) else frozenset()
        return self._exposed[controller]

    def after(self, action: Action) -> "PlugState":
        """Give the state once an action is done; a wiggle and a mark change nothing."""
        part = action.part
        match action.kind:
            case ActionKind.POWER_OFF:
                return self._switched(part, on=False)
            case ActionKind.POWER_ON | ActionKind.POWER_CYCLE:
                return self._switched(part, on=True)
            case ActionKind.UNPLUG if part is not None:
                return replace(self._with_place_for(part), unplugged=self.unplugged | {part})
            case ActionKind.PLUG if part is not None:
                known = self._with_place_for(part)
                if part in known.place_of:  # a controller has its two places from the map
                    place = action.into or self.home_of.get(part, known.place_of[part])
                    if place != known.place_of[part]:
                        known = known._with_places({**known.place_of, part: place})
                return replace(known, unplugged=self.unplugged - {part})
            case ActionKind.SWAP if part is not None and action.into is not None:
                return self._swapped(part, action.into)
            case ActionKind.REPLACE if part is not None:
                return replace(self, specimens={**self.specimens, part: self.specimens.get(part, 0) + 1})
            case _:
                return self

    def effect(self, action: Action) -> Effect:
        """Tell what an action does, from this state on.

        A power cycle, a swap and a replacement pass through a state in which what they touch is off: they take first
        and give back then.
        """
        between = self._amid(action)
        after = self.after(action)
        names = self.touched_by(action, after)
        heard_between = {name for name in names if between.heard(name)}
        return Effect(
            taken=frozenset(name for name in names if self.heard(name)) - heard_between,
            given_back=frozenset(name for name in names if after.heard(name)) - heard_between,
            newly_exposed=_gains(names, between, after),
            removed=_gains(names, between, self),
        )

    def touched_by(self, action: Action, after: "PlugState") -> Iterable[str]:
        """Name the controllers for which an action may change anything: what they are exposed to, power, bus.

        `after` is the state that it leads to.
        """
        if action.kind not in (ActionKind.PLUG, ActionKind.UNPLUG) or after.near is not self.near:
            return self.machine.controllers
        if not self.near:
            near: dict[str, list[str]] = {}
            for name in self.machine.controllers:
                for plug in {name, *self._walks_of(name)[_ALL_IN]}:
                    near.setdefault(plug, []).append(name)
            self.near.append({plug: tuple(names) for plug, names in near.items()})
        return () if action.part is None else self.near[0].get(action.part, ())

    def _amid(self, action: Action) -> "PlugState":
        part = action.part
        match action.kind:
            case ActionKind.POWER_CYCLE:
                return self._switched(part, on=False)
            case ActionKind.SWAP if part is not None and action.into is not None:
                return replace(self, unplugged=self.unplugged | {part, action.into})
            case ActionKind.REPLACE if part is not None:
                return replace(self, unplugged=self.unplugged | {part})
            case ActionKind.PLUG if part is not None and action.into not in (None, self.place_of.get(part)):
                return replace(self, unplugged=self.unplugged | {part})  # to come into another place it must come out
            case ActionKind.POWER_OFF | ActionKind.UNPLUG:
                return self.after(action)
            case _:
                return self

    def _switched(self, feed: str | None, *, on: bool) -> "PlugState":
        if feed is None:
            return replace(self, main_on=on)
        return replace(self, switched_off=self.switched_off - {feed} if on else self.switched_off | {feed})

    def _with_place_for(self, part: str) -> "PlugState":
        if part in self.machine or part in self.place_of:
            return self
        return self._with_places({**self.place_of, part: None})

    def _with_places(self, places: Mapping[str, str | None]) -> "PlugState":
        return replace(self, place_of=places, tree=[], walks={}, near=[])

    def _swapped(self, one: str, other: str) -> "PlugState":
        if one in self.unit_at and other in self.unit_at:
            units = {**self.unit_at, one: self.unit_at[other], other: self.unit_at[one]}
            return replace(self, unit_at=units, near=[])
        places, homes = dict(self.place_of), dict(self.home_of)
        places[one], places[other] = places.get(other), places.get(one)
        homes[one], homes[other] = homes.get(other), homes.get(one)
        return replace(self, place_of=places, home_of=homes, tree=[], walks={}, near=[])

    def _chain(self, name: str) -> list[str]:
        """Name a thing and what it hangs on, up to the nearest controller (left out) or the beginning."""
        chain = [name]
        here = self.owner_of(name)
        while here is not None and here in self.place_of and here not in chain:
            chain.append(here)
            here = self.owner_of(here)
        return chain

    @cached_property
    def _exposed(self) -> dict[str, frozenset[str]]:
        return {}

    @cached_property
    def _live(self) -> dict[str, bool]:
        """By feed, whether current reaches it while the main switch is on."""
        return {}

    @property
    def _owned_by(self) -> dict[str | None, list[str]]:
        """By owner, all that has its place there."""
        _ = self._placed_in
        return self.tree[1]

    @property
    def _placed_in(self) -> dict[str | None, list[str]]:
        """By owner, what has its place there, feeds and segments apart: their trees are walked from below.

        By None, the parts off the map of which nobody said where.
        """
        if not self.tree:
            into: dict[str | None, list[str]] = {}
            owned: dict[str | None, list[str]] = {}
            for part in self.place_of:
                record = self.machine.parts.get(part)
                owner = self.owner_of(part)
                owned.setdefault(owner, []).append(part)
                if (record is None or record.kind not in _TREE_KINDS) and (
                    owner is not None or part not in self.machine
                ):
                    into.setdefault(owner, []).append(part)
            self.tree.extend((into, owned))
        return self.tree[0]

    def _find_exposed(self, controller: str) -> frozenset[str]:
        # only the plugs on the way from a controller to what can be joined to it at all change what is; one walk does
        # for all states in which the same of them are out
        walks = self._walks_of(controller)
        out = self.unplugged & walks[_ALL_IN]
        if out not in walks:
            walks[out] = self._walk(controller, out)
        return walks[out]

    def _walks_of(self, controller: str) -> dict[frozenset[str], frozenset[str]]:
        """By the plugs that are out, what is joined to a controller; at least with all of them in."""
        walks = self.walks.setdefault((controller, self.unit_at.get(controller, controller)), {})
        if _ALL_IN not in walks:
            walks[_ALL_IN] = self._walk(controller, _ALL_IN)
        return walks

    def _walk(self, controller: str, unplugged: frozenset[str]) -> frozenset[str]:
        """Name what is joined to a controller with these plugs out."""
        known = self.machine.controllers.get(controller)
        found = {self.unit_at.get(controller, controller): None}
        queue = [controller]
        if known is not None and known.feed is not None:
            queue += self._chain(known.feed)
        if known is not None and known.segment is not None:
            for segment in self._chain(known.segment):
                if segment in unplugged:
                    break
                queue.append(segment)
        placed_in = self._placed_in
        queue += [part for part in placed_in.get(None, ()) if part not in unplugged]
        found.update(dict.fromkeys(queue[1:]))
        while queue:
            for part in placed_in.get(queue.pop(), ()):
                if part not in found and part not in unplugged:
                    found[part] = None
                    queue.append(part)
        return frozenset(found)


def _gains(names: Iterable[str], poorer: PlugState, richer: PlugState) -> dict[str, frozenset[str]]:
    gains = {}
    for name in names:
        more, less = richer.exposed(name), poorer.exposed(name)
        if more is not less and (gained := more - less):
            gains[name] = gained
    return gains


def opening_state(machine: Machine, actions: Sequence[Action]) -> PlugState:
    """Give the state before the first action, as far as the journal lets it be known.

    Everything is plugged and on, except what the journal begins by putting in: parts that it plugs before it unplugs
    anything at all were out already, and a power-on before anything else says that the power was off. A later plug
    without an unplug is a forgotten press rather, and proves nothing about the beginning.

    Parameters
    ----------
    actions : ascending by time
    """
    off_map = [a.part for a in actions if a.part is not None and a.kind not in (*POWER_KINDS, *REMARKS)]
    off_map += [a.into for a in actions if a.into is not None and a.kind is ActionKind.SWAP]
    state = PlugState.all_plugged(machine, off_map)
    done = [action for action in actions if action.kind not in (*REMARKS, ActionKind.WIGGLE)]
    out: set[str] = set()
    for action in done:
        if action.kind is ActionKind.UNPLUG:
            break
        if action.kind is ActionKind.PLUG and action.part is not None:
            out.add(action.part)
    state = replace(state, unplugged=frozenset(out))
    if done and done[0].kind is ActionKind.POWER_ON:
        state = state.after(replace(done[0], kind=ActionKind.POWER_OFF))
    return state


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch in which nothing that a controller is exposed to was touched."""

    from_ns: int
    to_ns: int
    exposed: frozenset[str]
    powered: bool
    heard: bool
    begun_by: int | None = None
    """`Action.n` of the action that began it; None: the start."""


def exposure_timeline(
    machine: Machine, actions: Sequence[Action], controller: str, start_ns: int, until_ns: int
) -> tuple[Span, ...]:
    """Cut the time between two instants where an action touches what a controller is exposed to.

    An action that ends where it began, a power cycle or a replacement, also cuts: what was latched or which specimen
    is in may have changed.

    Parameters
    ----------
    actions : ascending by time

    Returns
    -------
    Spans that cover `start_ns` to `until_ns` without gaps, none of them empty
    """
    state = opening_state(machine, actions)
    spans: list[Span] = []
    from_ns, begun_by = start_ns, None
    for action in actions:
        if action.time_ns >= until_ns:
            break
        after = state.after(action)
        if _touches(state, after, action, controller):
            at_ns = max(action.time_ns, start_ns)
            if at_ns > from_ns:
                spans.append(_span(state, controller, from_ns, at_ns, begun_by))
            from_ns, begun_by = at_ns, action.n if action.time_ns >= start_ns else None
        state = after
    if until_ns > from_ns:
        spans.append(_span(state, controller, from_ns, until_ns, begun_by))
    return tuple(spans)


def _span(state: PlugState, controller: str, from_ns: int, to_ns: int, begun_by: int | None) -> Span:
    return Span(
        from_ns=from_ns,
        to_ns=to_ns,
        exposed=state.exposed(controller),
        powered=state.powered(controller),
        heard=state.heard(controller),
        begun_by=begun_by,
    )


def _touches(before: PlugState, after: PlugState, action: Action, controller: str) -> bool:
    amid = before._amid(action)
    views = [(state.exposed(controller), state.heard(controller)) for state in (before, amid, after)]
    return views[0] != views[1] or views[1] != views[2]
