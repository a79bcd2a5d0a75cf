"""Which dropouts are looked into, as which sets, and over which time they could have been seen."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import Int64Array
from busdoc.health.incident import GapKind, Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.because import Because
from busdoc.isolation.groups import Group
from busdoc.isolation.losses import FALLS
from busdoc.isolation.watched import Watched

__all__ = ["LEAST_DROPOUTS", "Unit", "list_units", "power_ups_of", "unexplained_losses", "watched_of"]

LEAST_DROPOUTS = 3
"""With fewer of them nothing that went before can be told from chance."""
_MOST_UNITS = 8
"""Sets of dropouts that are held against everything, the largest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """Dropouts that are looked into together: those of one group, or all."""

    controllers: tuple[str, ...]
    """Whose; empty: of any controller."""
    incidents: tuple[int, ...]
    """Indices into the incidents of `Health`, ascending by the last frame before."""


def unexplained_losses(
    incidents: Sequence[Incident], because: Sequence[Because], *, journal_kept: bool = True
) -> tuple[int, ...]:
    """Give the indices of the losses that no recorded action explains, or likely caused.

    Where no journal was kept, a machine that went off and on as a whole is left out: a key turned off and on and a lost
    main supply look the same on the bus.
    """
    return tuple(
        n
        for n, (incident, reason) in enumerate(zip(incidents, because, strict=True))
        if incident.kind in FALLS
        and incident.controllers
        and not reason.expected
        and reason.action is None
        and (journal_kept or incident.kind is not IncidentKind.BUS_SILENCE or incident.ran_on is not RanOn.RESTARTED)
    )


def list_units(incidents: Sequence[Incident], chosen: Sequence[int], groups: Sequence[Group]) -> tuple[Unit, ...]:
    """Give all dropouts as one unit, and each group of at least three as another, where there are several."""
    in_order = tuple(sorted(chosen, key=lambda k: incidents[k].last_seen_ns))
    if len(groups) == 1:
        return (Unit(controllers=groups[0].controllers, incidents=in_order),)
    each = [
        Unit(
            controllers=group.controllers,
            incidents=tuple(sorted(group.incidents, key=lambda k: incidents[k].last_seen_ns)),
        )
        for group in groups
        if len(group.incidents) >= LEAST_DROPOUTS
    ]
    return (Unit(controllers=(), incidents=in_order), *each[: _MOST_UNITS - 1])


def watched_of(health: Health, controllers: Sequence[str]) -> Watched:
    """Leave out what was not recorded, and where these controllers (or all there are) were away at the same time."""
    wanted = set(controllers)
    members = [c for c in health.controllers if c.first_ns is not None and (not wanted or c.name in wanted)]
    unrecorded = [(g.from_ns, g.to_ns) for g in health.gaps if g.channel is None and g.kind is GapKind.CAPTURE_GAP]
    return Watched.between(
        health.start_ns, health.until_ns, (*unrecorded, *_all_away([member.absences for member in members]))
    )


def _all_away(absences: Sequence[Sequence[tuple[int, int]]]) -> Iterator[tuple[int, int]]:
    """Yield the stretches in which all of them are away."""
    edges = sorted(
        edge
        for spans in absences
        for from_ns, to_ns in spans
        for edge in ((from_ns, 1), (to_ns, -1))
        if to_ns > from_ns
    )
    away, since_ns = 0, 0
    for t_ns, step in edges:
        if away == len(absences) and step < 0:
            yield since_ns, t_ns
        away += step
        if away == len(absences):
            since_ns = t_ns


def power_ups_of(health: Health, actions: Iterable[Action]) -> Int64Array:
    """Give when the whole machine got its power: as written down, as the traffic shows, or after a silence of all."""
    kinds = (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)
    told = [action.time_ns for action in actions if action.kind in kinds and action.part is None]
    shown = [
        incident.back_ns
        for incident in health.incidents
        if incident.kind is IncidentKind.BUS_SILENCE
        and incident.ran_on is RanOn.RESTARTED
        and incident.back_ns is not None
    ]
    return np.array(sorted({*told, *shown}), np.int64)
