"""Incidents as they are told: restarts over and over become one, with all of them in its losses.

Which action each single restart answers to, and which part is at fault, is judged before that
(`busdoc.analysis.judgement`): every restart is evidence of its own.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.presence.runs.spells import fall_of, find_spells
from busdoc.isolation.verdict import Because

__all__ = ["fold_spells"]

_FALLS = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.BUS_SILENCE)


def fold_spells(
    incidents: Sequence[Incident], because: Sequence[Because]
) -> tuple[tuple[Incident, ...], tuple[Because, ...]]:
    """Make one incident of each spell of restarts; what it answers to is what its first restart answers to.

    Parameters
    ----------
    incidents : ascending by onset
    because : one for each

    Returns
    -------
    The same, each spell at the place of its first restart
    """
    in_spell: set[int] = set()
    spells: dict[int, Incident] = {}
    for stretch in _stretches(incidents, because):
        for first, after in find_spells([fall_of(incidents[k].losses) for k in stretch]):
            members = stretch[first:after]
            in_spell.update(members)
            spells[members[0]] = _spell([incidents[k] for k in members])
    kept = [k for k in range(len(incidents)) if k not in in_spell or k in spells]
    return (
        tuple(spells.get(k, incidents[k]) for k in kept),
        tuple(replace(because[k], incident=n) for n, k in enumerate(kept)),
    )


def _stretches(incidents: Sequence[Incident], because: Sequence[Because]) -> list[list[int]]:
    """Give the falls of the same controllers that follow one another, without any other fall of one of them between."""
    found: list[list[int]] = []
    open_of: dict[str, tuple[frozenset[str], list[int]]] = {}
    for k, (incident, reason) in enumerate(zip(incidents, because, strict=True)):
        if incident.kind not in _FALLS or not incident.losses:
            continue
        who = frozenset(incident.controllers)
        known = {open_of[name][0] for name in who if name in open_of}
        own = incident.kind is not IncidentKind.BUS_SILENCE and not reason.expected
        if own and known == {who} and all(name in open_of for name in who):
            open_of[incident.controllers[0]][1].append(k)
            continue
        for name in who:
            open_of.pop(name, None)
        if own:
            stretch = [k]
            found.append(stretch)
            open_of.update((name, (who, stretch)) for name in who)
    return found


def _spell(members: Sequence[Incident]) -> Incident:
    losses = tuple(loss for incident in members for loss in incident.losses)
    known = [loss.p_restarted for loss in losses if loss.p_restarted is not None]
    return replace(
        members[0],
        kind=IncidentKind.RESTARTING,
        back_ns=members[-1].back_ns,
        steady_ns=members[-1].steady_ns,
        ran_on=RanOn.RESTARTED,
        p_restarted=max(known) if known else None,
        losses=losses,
        why=(),
    )
