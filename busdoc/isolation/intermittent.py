"""The post-mortem of an intermittent dropout: who falls with whom, when, and what goes before it.

Joins what `groups`, `rate_shape`, `antecedent` and `covariate` find about the losses that no action explains, corrects
everything that was tried together, and says what to do next. With fewer than three such losses it says nothing and
costs nothing.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.machine import Machine
from busdoc.arrays import Int64Array
from busdoc.health.incident import GapKind, Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.because import Because
from busdoc.isolation.groups import Group, find_groups
from busdoc.isolation.losses import FALLS, losses_of
from busdoc.isolation.many_tests import holm
from busdoc.isolation.rate_shape import Rate, Watched, measure_rate

__all__ = ["LEAST_DROPOUTS", "Intermittent", "Unit", "list_units", "look_into", "unexplained_losses"]

LEAST_DROPOUTS = 3
"""With fewer of them nothing that went before can be told from chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """Dropouts that are looked into together: those of one group, or all."""

    controllers: tuple[str, ...]
    """Whose; empty: of any controller."""
    incidents: tuple[int, ...]
    """Indices into the incidents of `Health`, ascending by the last frame before."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Intermittent:
    """What many dropouts have in common."""

    dropouts: tuple[int, ...]
    """Indices of the losses that no action explains."""
    groups: tuple[Group, ...]
    rates: tuple[Rate, ...]
    """All dropouts first; then each group of at least three, where there are several groups."""


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


def look_into(
    health: Health,
    because: Sequence[Because],
    machine: Machine,
    actions: Sequence[Action],
    *,
    epoch: bool = False,
    journal_kept: bool = True,
) -> Intermittent | None:
    """Look into the losses that no action explains; None where there are fewer than three.

    Parameters
    ----------
    health : of the whole record, its incidents as `because` counts them
    because : one for each incident
    machine : the map, possibly empty
    actions : the journal's, and those that the traffic shows
    epoch : times are Unix times
    journal_kept : somebody wrote down what was done
    """
    chosen = unexplained_losses(health.incidents, because, journal_kept=journal_kept)
    if len(chosen) < LEAST_DROPOUTS:
        return None
    heard = [(c.name, c.channel) for c in health.controllers if c.first_ns is not None]
    groups = find_groups(
        health.incidents,
        chosen,
        machine,
        heard,
        start_ns=health.start_ns,
        watched_s=_watched(health, ()).total_ns / 1e9,
    )
    units = list_units(health.incidents, chosen, groups)
    return Intermittent(dropouts=chosen, groups=groups, rates=_rates(health, units, actions, epoch=epoch))


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
    return (Unit(controllers=(), incidents=in_order), *each)


def _rates(health: Health, units: Sequence[Unit], actions: Sequence[Action], *, epoch: bool) -> tuple[Rate, ...]:
    """Measure the rate of each unit, and correct all questions about their shape together."""
    power_ups_ns = _power_ups_ns(health, actions)
    rates = [_rate(health, unit, power_ups_ns, epoch=epoch) for unit in units]
    corrected = iter(holm(np.array([test.p for rate in rates for test in rate.tests])).tolist())
    return tuple(rate.corrected([next(corrected) for _ in rate.tests]) for rate in rates)


def _rate(health: Health, unit: Unit, power_ups_ns: Int64Array, *, epoch: bool) -> Rate:
    incidents = [health.incidents[k] for k in unit.incidents]
    returns_ns = sorted({loss.back_ns for i in incidents for loss in losses_of(i) if loss.back_ns is not None})
    return measure_rate(
        np.array([incident.last_seen_ns for incident in incidents], np.int64),
        [incident.back_ns for incident in incidents],
        _watched(health, unit.controllers),
        controllers=unit.controllers,
        epoch=epoch,
        power_ups_ns=power_ups_ns,
        returns_ns=np.array(returns_ns, np.int64),
    )


def _watched(health: Health, controllers: Sequence[str]) -> Watched:
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


def _power_ups_ns(health: Health, actions: Iterable[Action]) -> Int64Array:
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
