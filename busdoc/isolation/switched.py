"""Somebody switched it: the named alternative to a suspect supply where no power action is written down.

A main supply that lets go and a hand at the switch look the same on the bus, but for one thing: no hand switches off
and on within a tenth of a second. Takes suspects and incidents; shares what a feed of everybody has with the hand.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.isolation.verdict import SWITCHED, Suspect
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS
from busdoc.words.probability import odds

__all__ = ["cut_short", "is_off_and_on", "share_with_the_hand"]

_BY_HAND = 0.4
"""That a hand did it, where the lengths do not tell (common practice: who asks for a reason has not switched it)."""
_LONGEST_NS = 15 * SECOND_NS
"""A silence of everybody that lasts longer is more than a start: somebody left it off (common practice: controllers are
back after one to ten seconds)."""
_HAND_NS = SECOND_NS // 4
"""No hand switches off and on faster (common practice)."""
_SO_FAST = 0.05
"""That a hand did so all the same, where the supply was away for less (by definition of 'no': one in twenty)."""
_FEWEST = 3
"""Fewer say nothing of a supply: a machine is switched off and on once or twice while one looks at it (common
practice)."""


def is_off_and_on(incident: Incident) -> bool:
    """Whether the whole machine went off and on."""
    return incident.kind is IncidentKind.BUS_SILENCE and incident.ran_on is RanOn.RESTARTED


def cut_short(incidents: Sequence[Incident], machine: Machine) -> frozenset[int]:
    """Give the restarts of everybody that speak of a supply: within a start's time, and several of them; by index.

    Only where the map has one feed alone. Where several hang below a main one, whose falls would tell them apart, and
    where no map names a supply, the switch is likelier, and nobody is accused of it.
    """
    if sum(part.kind is PartKind.FEED for part in machine.parts.values()) != 1:
        return frozenset()
    short = frozenset(
        k
        for k, one in enumerate(incidents)
        if is_off_and_on(one) and one.back_ns is not None and one.back_ns - one.last_seen_ns <= _LONGEST_NS
    )
    return short if len(short) >= _FEWEST else frozenset()


def share_with_the_hand(
    suspects: Sequence[Suspect], machine: Machine, incidents: Sequence[Incident]
) -> tuple[Suspect, ...]:
    """Share the probability of each feed of everybody between it and whoever switches it.

    Parameters
    ----------
    suspects : highest first
    machine : the map
    incidents : those that were weighed, in which no power action is written down
    """
    everybody = set(machine.controllers)
    feeds = {
        name
        for name, part in machine.parts.items()
        if part.kind is PartKind.FEED and len(everybody) > 1 and set(machine.controllers_below(name)) == everybody
    }
    by_hand = _by_hand(machine, incidents)
    shared = [
        replace(one, probability=one.probability * (1.0 - by_hand), cleared=False) if one.part in feeds else one
        for one in suspects
    ]
    given = sum(one.probability * by_hand for one in suspects if one.part in feeds)
    if given < 0.01:
        return tuple(suspects)
    why = (f"no power action is written down; a hand at the switch looks the same ({odds(by_hand)} of the two)",)
    shared.append(Suspect(part=SWITCHED, probability=min(given, 1.0), cleared=False, why=why))
    return tuple(sorted(shared, key=lambda one: -one.probability))


def _by_hand(machine: Machine, incidents: Sequence[Incident]) -> float:
    """Give how likely the hand is, of the two: the supply's own time away is the silence less the usual start."""
    likelihood = 1.0
    for one in incidents:
        if not is_off_and_on(one):
            continue
        for loss in one.losses:
            known = machine.controllers.get(loss.controller)
            usual_ns = None if known is None else known.back_usually_ns
            if loss.back_ns is not None and usual_ns is not None:
                if loss.back_ns - loss.last_seen_ns - usual_ns < _HAND_NS:
                    likelihood *= _SO_FAST
                break
    odds_of_hand = likelihood * _BY_HAND / (1.0 - _BY_HAND)
    return odds_of_hand / (1.0 + odds_of_hand)
