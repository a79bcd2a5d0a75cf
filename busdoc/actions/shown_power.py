"""Power that was written down by hand, put where the traffic shows the act.

A power cycle has a length: off, ten seconds or an hour, and on again. People write it down as they begin, amid it, or
once it is over, and it is the same act. A press that lies anywhere between the first frame that was missed and the
last controller's start covers all of it. Takes actions and incidents; knows nothing of suspects.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["as_shown"]

_SWITCHES = (ActionKind.POWER_OFF, ActionKind.POWER_CYCLE)
_FALLS = (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE, IncidentKind.RESTART)
_NEAR_NS = 2 * SECOND_NS
"""A press so near the loss is at its time already (common practice: people press after they switch)."""
_STARTS_NS = 15 * SECOND_NS
"""Who waits for all to be back before writing it down does so within so long (common practice: starts take one to ten
seconds)."""
_LATER_NS = 180 * SECOND_NS
"""What is written down at the desk is written so much later at most, where the rest of the journal is on time (common
practice)."""
_SHOWN_NS = SECOND_NS // 2
"""Standard deviation of a time that the traffic shows: controllers live on for a moment (common practice)."""
_HAND_NS = SECOND_NS
"""A hand does not switch off and on faster (common practice)."""


def as_shown(
    machine: Machine, actions: Sequence[Action], incidents: Sequence[Incident], *, later: bool = True
) -> tuple[Action, ...]:
    """Put each power-off and power cycle that was written down by hand at the loss that it made.

    Parameters
    ----------
    machine : the map, possibly empty
    actions : ascending by time
    incidents : of the whole record
    later : the journal's other times are right: what was written once all was over may be minutes late

    Returns
    -------
    The same actions with their numbers, ascending by their times as put right; what the traffic does not show stays
    """
    offs = [one for one in incidents if one.kind in _FALLS and one.ran_on is not RanOn.KEPT_RUNNING]
    taken: set[int] = set()
    presses = [a for a in actions if a.origin is Origin.JOURNAL and a.kind in _SWITCHES]
    if not offs or not presses:
        return tuple(actions)
    heard = {name for one in incidents for name in one.controllers} | set(machine.controllers)
    moved: dict[int, int] = {}
    # Whatever lies near its loss first: no press that is late may claim what another has made.
    fits = [
        (abs(press.time_ns - one.last_seen_ns), press.n, k, one.last_seen_ns)
        for press in presses
        for k, one in enumerate(offs)
        if _covers(press, one, later=later) and _is_off(machine, press, one, heard, offs)
    ]
    several = {n for at, (_, n, _, _) in enumerate(fits) if any(n == other for _, other, _, _ in fits[at + 1 :])}
    for _, n, k, off_ns in sorted(fits):
        if n not in moved and k not in taken:
            moved[n] = off_ns
            taken.add(k)
    found = [_moved(a, moved[a.n], sure=a.n not in several) if a.n in moved else a for a in actions]
    return tuple(sorted(found, key=lambda a: a.time_ns))


def _moved(press: Action, off_ns: int, *, sure: bool) -> Action:
    """Give a press the time of its act, and, where it can be no other's, how well that is known."""
    if abs(press.time_ns - off_ns) <= _NEAR_NS and press.uncertainty_ns <= _NEAR_NS:
        return press
    known_ns = min(press.uncertainty_ns, _SHOWN_NS) if sure else press.uncertainty_ns
    return replace(press, time_ns=off_ns, uncertainty_ns=known_ns)


def _away(incident: Incident, incidents: Sequence[Incident]) -> set[str]:
    """Name those who were away already as others fell, for longer than supplies of one switch fall apart."""
    at_ns = incident.last_seen_ns
    return {
        loss.controller
        for one in incidents
        for loss in one.losses
        if loss.last_seen_ns < at_ns - _HAND_NS and (loss.back_ns is None or loss.back_ns > at_ns)
    } - set(incident.controllers)


def _is_off(machine: Machine, press: Action, incident: Incident, heard: set[str], others: Sequence[Incident]) -> bool:
    """Say whether this is what the loss of the supply that a press is about looks like.

    All that fell hang on it, more than one of them or all that were still up, for longer than a hand takes.
    """
    if press.part is not None and press.part not in machine:
        return False
    fed = heard if press.part is None else set(machine.controllers_below(press.part))
    fell = set(incident.controllers)
    if not fell or not fell <= fed:
        return False
    backs_ns = [loss.back_ns for loss in incident.losses if loss.back_ns is not None]
    back_ns = min(backs_ns) if backs_ns else incident.back_ns
    if back_ns is not None and back_ns - incident.last_seen_ns < _HAND_NS:
        return False
    if incident.kind is IncidentKind.BUS_SILENCE and press.part is None:
        return len(fell) > 1 or len(fed) <= 2
    rather_all = 2 * len(fell) >= len(fed) and (len(fell) > 1 or len(fed) <= 2)
    return rather_all or fell == fed - _away(incident, others)


def _covers(press: Action, incident: Incident, *, later: bool) -> bool:
    """Whether a press lies within the act, or so soon after it that nothing else can be meant."""
    slack_ns = _NEAR_NS + press.uncertainty_ns
    if press.time_ns < incident.last_seen_ns - slack_ns:
        return False
    back_ns = incident.back_ns
    if back_ns is None:
        return True
    if press.kind is ActionKind.POWER_OFF:  # nobody says off of what is on again
        return press.time_ns <= back_ns + slack_ns
    return press.time_ns <= back_ns + (max(_LATER_NS, 3 * press.uncertainty_ns) if later else _STARTS_NS)
