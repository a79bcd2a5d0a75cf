"""Incidents as arrays: who fell when, who was away already, and since when each had been back.

Takes the incidents and the names of the controllers; knows neither actions nor parts. A symptom that is no dropout
comes in the same arrays (`busdoc.isolation.suspects.showings`): its controller "falls" as it begins to show, and is
"away" while it shows or cannot be seen.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.health.incident import Incident, IncidentKind, Loss
from busdoc.health.summary import Health
from busdoc.times import SECOND_NS

__all__ = ["FALLS", "Losses", "Showing", "gather_losses", "losses_of", "silent_at_first"]

_SILENT_NS = 2 * SECOND_NS
"""A controller first heard later than this was away as the record began: twice a heartbeat's usual second (common
practice)."""
_ONE_TELLS = 0.04
"""How one controller came back is told wrongly this often at least.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.losses._ONE_TELLS 0.013 0.12"""
FALLS = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.RESTARTING, IncidentKind.BUS_SILENCE)
"""Kinds of incidents in which a controller really stopped, or could no longer be heard, by definition."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Showing:
    """What the likelihood must know of a symptom that is no dropout; K showings, C controllers."""

    observer: int
    """The controller at which it shows, by its place in the arrays."""
    window_s: Float64Array
    """(K,) each began within so long before its time."""
    end_s: Float64Array
    """(K,) when it was seen gone, or its power was; infinity while it shows."""
    end_window_s: Float64Array
    """(K,) it ended within so long before."""
    mistaken: Float64Array
    """(K,) that all the looks which saw it were wrong."""
    goes_on: Float64Array
    """(K,) that all the looks which saw it gone again were wrong."""
    looks_s: Float64Array
    """(n,) when somebody looked and did not see it, ascending, s; none where it is watched all the time."""
    latency_s: float
    """It may be seen so long after the fault; a shorter quiet tells nothing."""
    errs: float
    """That one look is wrong."""
    p_latches: float
    """That it stays until the power is cycled."""
    only_after_starts: bool
    """Another start is what shows it, in its controller's self-test."""
    its_own: int
    """So many of the controllers that a part reaches have it, though nobody knows which; that the others have nothing
    speaks against the part."""
    rests: bool
    """It is over at once, and what made it may rest in its fault, showing nothing more, until it is taken out or its
    controller starts anew: a counter of attempts."""
    at_first_until_s: float | None
    """It showed as the record began, until then, s; infinity while it still does. None: it did not."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Losses:
    """K incidents of C controllers; times in seconds after a common zero, ascending."""

    incident: tuple[int, ...]
    """(K,) index into the incidents that were given."""
    t_s: Float64Array
    """(K,) best guess of the moment: between the last frame heard and the first one missed."""
    hit: BoolArray
    """(K, C) who fell."""
    up: BoolArray
    """(K, C) who was on the bus just before."""
    since_s: Float64Array
    """(K, C) when each had last come back (or the zero, when it had never been away)."""
    p_restarted: Float64Array
    """(K,) that those who fell had restarted when they were back, all that is known of each taken together: the same
    thing happened to all. NaN where unknown."""
    away: tuple[tuple[tuple[float, float], ...], ...]
    """For each controller: (from, to) of its absences, ascending; infinity while it is still away."""
    showing: Showing | None = None
    """What is special where they are showings of another symptom than a dropout; None: they are losses."""


def losses_of(incident: Incident) -> tuple[Loss, ...]:
    """Give the single controllers' losses, made up from the whole where the incident does not list them."""
    if incident.losses:
        return incident.losses
    return tuple(
        Loss(
            controller=name,
            last_seen_ns=incident.last_seen_ns,
            onset_ns=incident.onset_ns,
            back_ns=incident.back_ns,
            steady_ns=incident.steady_ns,
            ran_on=incident.ran_on,
            p_restarted=incident.p_restarted,
        )
        for name in incident.controllers
    )


def silent_at_first(health: Health) -> tuple[tuple[str, int, int | None], ...]:
    """Name the controllers that were not heard as a capture began, with from and to (None: never heard), ns."""
    return tuple(
        (controller.name, health.start_ns, controller.first_ns)
        for controller in health.controllers
        if controller.first_ns is None or controller.first_ns - health.start_ns > _SILENT_NS
    )


def gather_losses(
    incidents: Sequence[Incident],
    controllers: Sequence[str],
    zero_ns: int,
    absent: Sequence[tuple[str, int, int | None]] = (),
) -> Losses:
    """Put incidents into arrays.

    Parameters
    ----------
    incidents : in any order; only those in which a controller fell are used
    controllers : names, in the order of the arrays
    zero_ns : what the seconds count from
    absent : (controller, from, to) known otherwise: who was away from the start, for one
    """
    index = {name: c for c, name in enumerate(controllers)}
    order = sorted(
        (k for k, incident in enumerate(incidents) if incident.kind in FALLS),
        key=lambda k: (incidents[k].last_seen_ns, k),
    )
    away: list[list[tuple[float, float]]] = [[] for _ in controllers]
    for name, from_ns, to_ns in absent:
        if name in index:
            away[index[name]].append(
                ((from_ns - zero_ns) / SECOND_NS, np.inf if to_ns is None else (to_ns - zero_ns) / SECOND_NS)
            )
    for k in order:
        for loss in losses_of(incidents[k]):
            if loss.controller in index:
                from_s = (loss.last_seen_ns - zero_ns) / SECOND_NS
                to_s = np.inf if loss.back_ns is None else (loss.back_ns - zero_ns) / SECOND_NS
                away[index[loss.controller]].append((from_s, max(from_s, to_s)))
    spans = [_merged(one) for one in away]
    n, width = len(order), len(controllers)
    t_s, p = np.empty(n), np.empty(n)
    hit, up = np.zeros((n, width), np.bool_), np.ones((n, width), np.bool_)
    since_s = np.zeros((n, width))
    for row, k in enumerate(order):
        incident = incidents[k]
        t_s[row] = (incident.last_seen_ns + (incident.onset_ns - incident.last_seen_ns) // 2 - zero_ns) / SECOND_NS
        p[row] = _together([loss.p_restarted for loss in losses_of(incident)])
        first_s = (incident.last_seen_ns - zero_ns) / SECOND_NS
        for loss in losses_of(incident):
            if loss.controller in index:
                hit[row, index[loss.controller]] = True
        for c, absences in enumerate(spans):
            n_before = bisect_left(absences, (first_s,))  # ascending and apart; a scan is quadratic over long records
            if n_before:
                back_s = absences[n_before - 1][1]
                up[row, c] = back_s <= first_s or hit[row, c]
                since_s[row, c] = min(back_s, first_s)
    return Losses(
        incident=tuple(order),
        t_s=t_s,
        hit=hit,
        up=up,
        since_s=since_s,
        p_restarted=p,
        away=tuple(tuple(one) for one in spans),
    )


def _together(p_restarted: Sequence[float | None]) -> float:
    """Put the answers of several controllers into one; NaN where none gave any."""
    told = np.clip([p for p in p_restarted if p is not None], _ONE_TELLS, 1.0 - _ONE_TELLS)
    if not len(told):
        return float("nan")
    if len(told) == 1:
        return float(told[0])
    return float(1.0 / (1.0 + np.exp(-np.log(told / (1.0 - told)).sum())))


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    merged: list[tuple[float, float]] = []
    for from_s, to_s in sorted(spans):
        if merged and from_s < merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], to_s))
        else:
            merged.append((from_s, to_s))
    return merged
