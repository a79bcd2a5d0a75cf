"""Actions that nobody wrote down but the bus shows: supply taken away and given back, a sensor unplugged and plugged.

What the bus shows is that the supply of several controllers went away, or that a sensor's signal did; that a hand did
it is only likely. So these actions carry their origin, they never stand where the journal already tells of the same
thing, and they never contradict a press nearby: a forgotten press is filled in, a made one is not corrected.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.actions.action import POWER_KINDS, Action, ActionKind, Origin
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.arrays import BoolArray, Int64Array
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS

__all__ = ["SignalChanges", "plug_actions", "power_actions", "with_inferred"]

_SHORTEST_OFF_NS = SECOND_NS
"""A hand does not switch off and on faster; a supply that dips for less is a fault, not an action (common practice)."""
_BOOT_NS = SECOND_NS // 2
"""The first controller of a feed speaks within about a second of power (common practice)."""
_TOGETHER_NS = SECOND_NS
_SHORTEST_HELD_NS = SECOND_NS
_START_UP_NS = 5 * SECOND_NS
_SETTLED_NS = 10 * SECOND_NS
_NEAR_NS = 5 * SECOND_NS
_LEAST_UNCERTAINTY_NS = SECOND_NS // 100
_SPREAD_OF_EVEN = 12**-0.5
"""Standard deviation of a time that may lie anywhere in a stretch, as a share of it."""

_HANDS_ON = (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.REPLACE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SignalChanges:
    """When one decoded signal turned from valid to 'not available' and back."""

    signal: str
    """`Message.Signal`, as the map's parts name it."""
    t_ns: Int64Array
    """(n,) ascending"""
    available: BoolArray
    """(n,) True: valid from then on; False: not available from then on."""


def power_actions(
    machine: Machine,
    incidents: Sequence[Incident],
    controllers: Sequence[ControllerHealth],
    journal: Sequence[Action] = (),
) -> tuple[Action, ...]:
    """Infer power-off and power-on where all controllers of a feed, or of the machine, vanish and come back restarted.

    One controller alone never counts: it may have crashed as well.

    Parameters
    ----------
    incidents : with their losses
    controllers : tells who was on the bus at the time
    journal : ascending by time

    Returns
    -------
    Ascending by time, origin `BUS`, numbered from 1
    """
    found: list[Action] = []
    for incident in incidents:
        losses = incident.losses
        if incident.kind not in (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE) or not _restarted(losses):
            continue
        off_ns, back_ns = _off_and_back(losses)
        if back_ns - off_ns < _SHORTEST_OFF_NS:
            continue
        lost = {loss.controller for loss in losses}
        hit, feed = _supply_of(machine, lost, _heard_before(controllers, incident.last_seen_ns))
        if not hit:
            continue
        off, on = _switching(feed, losses)
        off_is_told = _told(machine, journal, off, lost)
        if not off_is_told:
            found.append(off)
        if not _told(machine, journal, on, lost) and not (off_is_told and _is_on(machine, journal, on)):
            found.append(on)
    return _numbered(found)


def plug_actions(
    machine: Machine,
    changes: Sequence[SignalChanges],
    controllers: Sequence[ControllerHealth] = (),
    journal: Sequence[Action] = (),
) -> tuple[Action, ...]:
    """Infer that a part was unplugged while its declared signal read 'not available', and plugged when it read again.

    Several signals that turn together are their common harness. A short spell, or one while the controller starts up,
    is no action.

    Parameters
    ----------
    changes : of the signals that parts of the map declare; others are not looked at
    controllers : tells when a controller came back, and so was starting up
    journal : ascending by time

    Returns
    -------
    Ascending by time, origin `SIGNAL`, numbered from 1
    """
    by_signal = {part.signal: part.name for part in machine.parts.values() if part.signal is not None}
    turns: list[tuple[int, bool, str]] = []
    for change in changes:
        part = by_signal.get(change.signal)
        if part is not None:
            turns += [(t_ns, on, part) for t_ns, on in _held(change, _returns(machine, controllers, part))]
    turns.sort()
    found: list[Action] = []
    while turns:
        t_ns, on, _ = turns[0]
        together = [turn for turn in turns if turn[0] <= t_ns + _TOGETHER_NS and turn[1] == on]
        turns = [turn for turn in turns if turn not in together]
        for part in _common_parts(machine, {name for _, _, name in together}):
            action = _action(t_ns, _LEAST_UNCERTAINTY_NS * 50, ActionKind.PLUG if on else ActionKind.UNPLUG, part)
            action = replace(action, origin=Origin.SIGNAL)
            if not _told(machine, journal, action, set()):
                found.append(action)
    return _numbered(found)


def with_inferred(journal: Sequence[Action], inferred: Sequence[Action]) -> tuple[Action, ...]:
    """Put the journal and the inferred actions into one order of time, numbered from 1; the journal's come first."""
    return _numbered([*journal, *inferred])


def _numbered(actions: Sequence[Action]) -> tuple[Action, ...]:
    in_order = sorted(actions, key=lambda action: action.time_ns)
    return tuple(replace(action, n=n) for n, action in enumerate(in_order, start=1))


def _action(t_ns: int, uncertainty_ns: int, kind: ActionKind, part: str | None) -> Action:
    spread_ns = max(uncertainty_ns, _LEAST_UNCERTAINTY_NS)
    return Action(n=0, time_ns=t_ns, uncertainty_ns=spread_ns, kind=kind, part=part, origin=Origin.BUS)


def _restarted(losses: Sequence[Loss]) -> bool:
    """Whether several came back, at least half of them surely restarted and none that had run on."""
    back = [loss.ran_on for loss in losses if loss.back_ns is not None]
    return len(losses) > 1 and RanOn.KEPT_RUNNING not in back and 2 * back.count(RanOn.RESTARTED) >= max(len(back), 1)


def _off_and_back(losses: Sequence[Loss]) -> tuple[int, int]:
    return max(loss.last_seen_ns for loss in losses), min(loss.back_ns for loss in losses if loss.back_ns is not None)


def _heard_before(controllers: Sequence[ControllerHealth], at_ns: int) -> set[str]:
    """Name who was on the bus at an instant; an absence that begins there has not begun yet."""
    return {
        one.name
        for one in controllers
        if one.first_ns is not None
        and one.first_ns <= at_ns
        and not any(from_ns < at_ns < to_ns for from_ns, to_ns in one.absences)
    }


def _supply_of(machine: Machine, lost: set[str], heard: set[str]) -> tuple[bool, str | None]:
    """Find what these controllers, and no others that were heard, have in common: the machine, else a feed."""
    if heard and lost >= heard:
        return True, None
    feeds = [part.name for part in machine.parts.values() if part.kind is PartKind.FEED]
    fitting = [feed for feed in feeds if set(machine.controllers_below(feed)) & heard == lost & heard]
    nearest_first = sorted(fitting, key=lambda feed: len(machine.feeds_above(feed)), reverse=True)
    return (True, nearest_first[0]) if nearest_first else (False, None)


def _switching(feed: str | None, losses: Sequence[Loss]) -> tuple[Action, Action]:
    """Give off and on, each in the middle of the stretch in which it must have happened."""
    off_ns, back_ns = _off_and_back(losses)
    missed_ns = max(min(loss.onset_ns for loss in losses), off_ns)
    on_ns = max(back_ns - _BOOT_NS, (off_ns + back_ns) // 2)
    off = _action((off_ns + missed_ns) // 2, round((missed_ns - off_ns) * _SPREAD_OF_EVEN), ActionKind.POWER_OFF, feed)
    return off, _action(on_ns, round(_BOOT_NS * _SPREAD_OF_EVEN), ActionKind.POWER_ON, feed)


def _told(machine: Machine, journal: Sequence[Action], action: Action, controllers: set[str]) -> bool:
    """Whether the journal tells of this already: by a press nearby on the same branch, or since nothing would change.

    `controllers` are those that the bus showed to lose their supply.
    """
    related = _related(machine, action.part) | controllers
    for controller in controllers:
        related |= set(machine.above(controller))
    standing = opening_state(machine, journal)
    for press in journal:
        if abs(press.time_ns - action.time_ns) <= _NEAR_NS + 3 * press.uncertainty_ns:
            on_power = press.kind in POWER_KINDS and (press.part is None or action.part is None)
            touched = {press.part, press.into} if press.kind is ActionKind.SWAP else {press.part}
            if on_power or (press.kind in (*POWER_KINDS, *_HANDS_ON) and touched & related):
                return True
        if press.time_ns <= action.time_ns:
            standing = standing.after(press)
    return _would_change_nothing(standing, action)


def _is_on(machine: Machine, journal: Sequence[Action], action: Action) -> bool:
    """Whether the journal leaves the feed of a power action on at its time."""
    state = opening_state(machine, journal)
    for press in journal:
        if press.time_ns <= action.time_ns:
            state = state.after(press)
    return state.main_on if action.part is None else state.live(action.part)


def _related(machine: Machine, part: str | None) -> set[str | None]:
    return {None} if part is None else {part, *machine.above(part), *machine.below(part)}


def _would_change_nothing(state: PlugState, action: Action) -> bool:
    """Whether the journal already has it so: what it says is off needs no second switching off."""
    part = action.part
    match action.kind:
        case ActionKind.POWER_OFF:
            return not (state.main_on if part is None else state.live(part))
        case ActionKind.UNPLUG:
            return part is not None and not state.joined(part)
        case _:
            return False


def _returns(machine: Machine, controllers: Sequence[ControllerHealth], part: str) -> tuple[int, ...]:
    """Give when the controller that a part hangs on was heard again, or for the first time."""
    home = machine.home(part)
    for one in controllers:
        if one.name == home:
            first = () if one.first_ns is None else (one.first_ns,)
            return (*first, *(to_ns for _, to_ns in one.absences))
    return ()


def _held(change: SignalChanges, returns_ns: Sequence[int]) -> list[tuple[int, bool]]:
    """Keep the spells of 'not available' that are long enough for a hand, as (ns, available) at both ends."""
    turns: list[tuple[int, bool]] = []
    times, available = change.t_ns.tolist(), change.available.tolist()
    for at, (t_ns, on) in enumerate(zip(times, available, strict=True)):
        if on or (at and not available[at - 1]):
            continue
        ends = next((times[later] for later in range(at + 1, len(times)) if available[later]), None)
        starting_up = any(0 <= t_ns - back_ns <= _START_UP_NS for back_ns in returns_ns)
        shortest_ns = _SETTLED_NS if starting_up else _SHORTEST_HELD_NS
        if ends is not None and ends - t_ns < shortest_ns:
            continue
        turns.append((t_ns, False))
        if ends is not None:
            turns.append((ends, True))
    return turns


def _common_parts(machine: Machine, parts: set[str]) -> list[str]:
    """Name the harness that carries exactly these signals, when there are several; else the parts themselves."""
    if len(parts) > 1:
        declared = {part.name for part in machine.parts.values() if part.signal is not None}
        carriers = set.intersection(*({name, *machine.above(name)} for name in parts)) - set(machine.controllers)
        for name in sorted(carriers, key=lambda name: len(machine.above(name)), reverse=True):
            record = machine.parts.get(name)
            if record is None or record.kind in (PartKind.FEED, PartKind.SEGMENT):
                continue
            if declared & {name, *machine.below(name)} == parts:
                return [name]
    return sorted(parts)
