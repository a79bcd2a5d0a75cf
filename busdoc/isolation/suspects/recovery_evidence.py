"""How each loss ended, and what that says of its cause: alone, after the power was cycled, after a part came out.

A cause lets go in one of three ways, and in the same way each time:

* it lets go alone: a contact makes again, a controller that only restarted is back as soon as after a power-up;
* it latches: the controller stays away until its power is cycled;
* it holds: the controller is down for as long as the bad part hangs on it, and comes back a start later.

A symptom that is no dropout ends in the same ways, but nothing has to start: it is gone as soon as it can be seen.

Takes the losses and the map's reach; gives factors over parts and incidents. A cause that made n losses
tells its way once, so each of them counts for the n-th part.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import erf, sqrt

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.losses import Losses, Showing
from busdoc.isolation.suspects.press_timing import lateness_weights
from busdoc.machine.machine import Machine, PartKind

__all__ = ["Returns", "holding", "latching", "weigh_end", "weigh_returns", "weigh_showing_end"]

_RESTART_S, _RESTART_SPREAD = 2.7, 0.5
"""A start after power-up: median, and spread of its logarithm (common practice: one to seven seconds, seldom ten)."""
_FAULT_S, _FAULT_SPREAD = 6.0, 1.0
"""How long a fault that lets go alone keeps its controller away: median, and spread of its logarithm.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.recovery_evidence._FAULT_SPREAD 0.5 2.0"""
_LATCHES = {True: 0.97, False: 0.03, None: 0.45}
"""That a fault of a branch or of the controller itself latches, by what the map says of the controller (common
practice: where it says nothing, about half do)."""
_HOLDS = {True: 0.03, False: 0.35, None: 0.2}
"""That it holds for as long as the part is in, were it not to latch.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.recovery_evidence._HOLDS '{True: 0.03, False: 0.35, None: 0.1}'"""
_SUPPLY_STAYS = 0.06
"""That a controller stays away though its supply or bus is back, or that these do not come back alone.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.recovery_evidence._SUPPLY_STAYS 0.02 0.18"""
_RESTART_STAYS = 0.03
"""The same for a controller that restarted of itself.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.recovery_evidence._RESTART_STAYS 0.01 0.09"""
_GONE_S, _GONE_SPREAD = 1.5, 0.8
"""How soon a symptom that is no dropout is seen gone once its cause is: median, and spread of its logarithm (a fault
code within a second, SAE J1939-73 5.7.1, and what its controller waits before it believes it: common practice)."""
_SHOWING_HOLDS = 0.6
"""That such a symptom shows for as long as the part is in, were it not to latch: a short or an open circuit is there
all the time, a bad contact is not (common practice)."""
_HOLDS_STILL = 0.5
"""That it holds all the same though another time it went alone with the part in: another part may have made that one,
as likely as not (by definition of not knowing)."""
_ON_WITHOUT = 0.03
"""That it goes on though its part is out: a new one that is bad too, a press that is wrong (common practice)."""
_JUST_BEFORE_S = 3.0
"""An action written down so soon after the return may have made it (common practice: a press is half a second late,
seldom three)."""
_NEXT_LOOK_S = 15.0
"""People look again within so long, and at any time until then (common practice)."""
_MOST_MISTAKEN = 10.0
"""How it ended makes a mistaken look no likelier than by this: one odd end must not decide alone (common practice)."""
_ROOT_2PI = 2.5066282746
"""The square root of 2 pi, by definition."""
_FLOOR = 1e-3
"""No end is less likely than this: one odd return must not decide alone.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.recovery_evidence._FLOOR 1e-4 1e-2"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Returns:
    """Likelihoods of how the losses ended, P parts, K incidents."""

    part: Float64Array
    """(P, K) if the part made it."""
    background: Float64Array
    """(K,) if a restart of its own did."""
    mistaken: Float64Array
    """(K,) if nothing did, and a person's looks were wrong; of what is watched all the time 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _End:
    """How one controller's absence went on."""

    t_s: float
    alone: bool
    """It came back, and nobody had cycled its power."""
    lasted_s: float
    """Until it was back; or until its power was cycled, or nobody watched any more."""


def weigh_returns(
    machine: Machine,
    reach: Reach,
    losses: Losses,
    rows: Sequence[int],
    kinds: Sequence[PartKind | None],
    nodes_s: Float64Array,
    span_s: float,
) -> Returns:
    """Weigh how the losses that no action explains ended.

    Parameters
    ----------
    rows : of `losses`
    kinds : (P,) of the parts
    nodes_s : (n, nodes) possible true times of the actions
    span_s : until when was watched
    """
    if losses.showing is not None:
        return _weigh_showings(reach, losses, losses.showing, rows, nodes_s, span_s)
    supply = np.array([k in (PartKind.FEED, PartKind.SEGMENT, PartKind.TERMINATOR) for k in kinds], np.bool_)
    part = np.zeros((len(reach.parts), len(rows)))
    background = np.zeros(len(rows))
    hit = losses.hit[list(rows)]
    for k, row in enumerate(rows):
        fell = np.flatnonzero(losses.hit[row])
        alike = float(np.count_nonzero((hit & losses.hit[row]).any(axis=1)))
        for c in fell.tolist():
            by_part, by_restart = weigh_end(machine, reach, losses, supply, nodes_s, c, float(losses.t_s[row]), span_s)
            part[:, k] += np.log(by_part) / (alike * len(fell))
            background[k] += np.log(by_restart) / (alike * len(fell))
    top = np.maximum(part.max(axis=0, initial=-np.inf), background)
    return Returns(part=np.exp(part - top), background=np.exp(background - top), mistaken=np.ones(len(rows)))


def weigh_end(
    machine: Machine,
    reach: Reach,
    losses: Losses,
    supply: BoolArray,
    nodes_s: Float64Array,
    c: int,
    t: float,
    span_s: float,
) -> tuple[Float64Array, float]:
    """Weigh how one controller's absence from `t` on ended.

    Parameters
    ----------
    supply : (P,) parts of the supply or the bus
    c : the controller's place in the arrays

    Returns
    -------
    (P,) likelihood if the part made it; the same if it restarted of itself
    """
    end = _end_of(losses, reach, nodes_s, c, t, span_s)
    latches = latching(machine, reach.controllers[c])
    by_fault, by_restart, by_supply = _likelihoods(end, latches)
    holds = (1.0 - _LATCHES[latches]) * _HOLDS[latches]
    own = (1.0 - holds) * by_fault + holds * _held(end, reach, nodes_s, c)
    return np.where(supply, by_supply, np.maximum(own, _FLOOR)), by_restart


def _weigh_showings(
    reach: Reach, losses: Losses, showing: Showing, rows: Sequence[int], nodes_s: Float64Array, span_s: float
) -> Returns:
    """Weigh how the showings of a symptom ended, one after the other.

    One that was seen gone although nobody cycled the power does not latch; one that stays when a part comes out
    latches, or that part did not make it. What let go alone once, with the part in, does not hold, if that part made
    it.
    """
    part = np.zeros((len(reach.parts), len(rows)))
    background, mistaken = np.zeros(len(rows)), np.ones(len(rows))
    told = [] if showing.rests else list(rows)  # how what is over at once ended tells nothing
    ends = [
        _end_of(losses, reach, nodes_s, showing.observer, float(losses.t_s[row]), span_s, float(showing.end_s[row]))
        for row in told
    ]
    held = [
        _held(end, reach, nodes_s, showing.observer, _GONE_S, _GONE_SPREAD, float(showing.end_window_s[row]))
        for end, row in zip(ends, told, strict=True)
    ]
    went = [(one <= 0.0) & end.alone for end, one in zip(ends, held, strict=True)]
    let_go = np.array(went, np.bool_).reshape(len(told), len(reach.parts))
    # What a single look tells, of its beginning or of its end, may be an error.
    let_go &= ~(np.maximum(showing.mistaken, showing.goes_on)[told] >= max(showing.errs, _FLOOR))[:, None]
    for k in range(len(told)):
        others = let_go.sum(axis=0) - let_go[k]
        on_without = _on_without(ends[k], reach, nodes_s, showing, float(showing.end_window_s[told[k]]))
        by_part, by_itself = _weigh_end_of_showing(
            ends[k],
            held[k],
            showing.p_latches,
            _SHOWING_HOLDS * _HOLDS_STILL**others,
            float(showing.goes_on[told[k]]),
            on_without,
        )
        # Its way of ending it tells once; that it went on without the part is told by each showing anew.
        again = np.log(showing.p_latches + (1.0 - showing.p_latches) * on_without)
        part[:, k] = np.log(by_part) / len(rows) + again * (1.0 - 1.0 / len(rows))
        background[k] = np.log(by_itself) / len(rows)
        # What a wrong look saw is gone at the next, whatever else the fault does.
        at_next_look = min(ends[k].lasted_s / _NEXT_LOOK_S, 1.0) if ends[k].alone else 1.0
        real = max(float(by_part.max(initial=0.0)), by_itself)
        mistaken[k] = min(at_next_look / real, _MOST_MISTAKEN)
    top = np.maximum(part.max(axis=0, initial=-np.inf), background)
    return Returns(part=np.exp(part - top), background=np.exp(background - top), mistaken=mistaken)


def weigh_showing_end(
    reach: Reach,
    losses: Losses,
    showing: Showing,
    nodes_s: Float64Array,
    t: float,
    end_s: float,
    span_s: float,
    window_s: float,
) -> tuple[Float64Array, float]:
    """Weigh how one showing of a symptom ended.

    Parameters
    ----------
    t, end_s : of the showing, s; infinity while it shows
    window_s : it ended within so long before `end_s`

    Returns
    -------
    (P,) likelihood if the part made it; the same if it came of itself
    """
    end = _end_of(losses, reach, nodes_s, showing.observer, t, span_s, end_s)
    held = _held(end, reach, nodes_s, showing.observer, _GONE_S, _GONE_SPREAD, window_s)
    on_without = _on_without(end, reach, nodes_s, showing, window_s)
    holds = np.full(len(held), _SHOWING_HOLDS)
    return _weigh_end_of_showing(end, held, showing.p_latches, holds, on_without=on_without)


def _weigh_end_of_showing(
    end: _End,
    held: Float64Array,
    stays: float,
    holds: Float64Array,
    goes_on: float = 0.0,
    on_without: Float64Array | float = 1.0,
) -> tuple[Float64Array, float]:
    """Mix the three ways of ending.

    Parameters
    ----------
    held : (P,) likelihood of the end for a part while which is in it is there
    stays : that it latches
    holds : (P,) that it is there while the part is in, were it not to latch
    goes_on : that it only seemed to end
    on_without : (P,) of `_on_without`
    """
    z = np.log(end.lasted_s / _FAULT_S) / _FAULT_SPREAD
    if end.alone:
        free = float(np.exp(-0.5 * z * z)) / (_FAULT_SPREAD * _ROOT_2PI)
        latched, held = goes_on, np.maximum(held, goes_on)
    else:
        free, latched = 0.5 * (1.0 - erf(float(z) / 1.4142)), 1.0
    own = stays * latched + (1.0 - stays) * ((1.0 - holds) * free * on_without + holds * held)
    return np.maximum(own, _FLOOR), max(stays * latched + (1.0 - stays) * free, _FLOOR)


def holding(latches: bool | None) -> float:
    """Give the share of faults that keep a controller away for good: by latching, or while the part is in."""
    return _LATCHES[latches] + (1.0 - _LATCHES[latches]) * _HOLDS[latches]


def latching(machine: Machine, controller: str) -> bool | None:
    """Say whether a controller latches, as far as the map knows."""
    known = machine.controllers.get(controller)
    return None if known is None else known.spec.latches


def _end_of(
    losses: Losses,
    reach: Reach,
    nodes_s: Float64Array,
    c: int,
    t: float,
    span_s: float,
    back_s: float | None = None,
) -> _End:
    if back_s is None:
        back_s = next((b for a, b in losses.away[c] if a <= t <= b), np.inf)
    until_s = min(back_s, span_s)
    for m in np.flatnonzero(reach.takes[:, c]):
        done_s = float(nodes_s[m] @ lateness_weights())
        if t < done_s < until_s + _JUST_BEFORE_S:
            return _End(t_s=t, alone=False, lasted_s=max(min(done_s, until_s) - t, 0.1))
    return _End(t_s=t, alone=bool(np.isfinite(back_s)), lasted_s=max(until_s - t, 0.1))


def _likelihoods(end: _End, latches: bool | None) -> tuple[float, float, float]:
    """Of the end: if a fault made the loss that does not hold, if a restart did, if supply or bus did."""
    found = []
    for stays, median_s, spread in (
        (_LATCHES[latches], _FAULT_S, _FAULT_SPREAD),
        (_RESTART_STAYS, _RESTART_S, _RESTART_SPREAD),
        (_SUPPLY_STAYS, _FAULT_S, _FAULT_SPREAD),
    ):
        z = np.log(end.lasted_s / median_s) / spread
        if end.alone:
            found.append(max((1.0 - stays) * float(np.exp(-0.5 * z * z)) / (spread * _ROOT_2PI), _FLOOR))
        else:
            found.append(max(stays + (1.0 - stays) * (1.0 - _normal(z)), _FLOOR))
    return found[0], found[1], found[2]


def _held(
    end: _End,
    reach: Reach,
    nodes_s: Float64Array,
    c: int,
    median_s: float = _RESTART_S,
    spread: float = _RESTART_SPREAD,
    window_s: float = 0.0,
) -> Float64Array:
    """(P,) likelihood of the end for a part that keeps the controller down while it is in.

    Densities are over the logarithm of how long it lasted, as in `_likelihoods`; of an end that is known no better than
    to within `window_s`, their mean over that.
    """
    over_s = end.t_s + end.lasted_s
    likelihood = np.full(len(reach.parts), 0.0 if end.alone else 1.0)
    for m in np.unique(reach.changes.lost().at(c).action).tolist():
        if nodes_s[m].max() < end.t_s:
            continue
        out = reach.reaches[m, :, c] & ~reach.reaches[m + 1, :, c]
        since_s = over_s - nodes_s[m]
        density, by_then = _start(since_s, median_s, spread)
        if window_s > 0.0:
            density = (by_then - _start(since_s - window_s, median_s, spread)[1]) / window_s
        weights = lateness_weights()
        here = float(weights @ density) * end.lasted_s if end.alone else 1.0 - float(weights @ by_then)
        likelihood[out] = np.maximum(likelihood[out], here) if end.alone else np.minimum(likelihood[out], here)
    return likelihood


def _on_without(end: _End, reach: Reach, nodes_s: Float64Array, showing: Showing, window_s: float) -> Float64Array:
    """(P,) that a symptom of the part shows for as long as it did, though the part was out: 1 where it was not.

    What a person sees tells too little for that: looks err and come late, and a lamp may stay for the open circuit.

    Parameters
    ----------
    window_s : it ended within so long before its end
    """
    likelihood = np.ones(len(reach.parts))
    if showing.errs > 0.0:
        return likelihood
    still_s = end.t_s + end.lasted_s - (window_s if end.alone else 0.0)
    changes = reach.changes.at(showing.observer)
    for k in np.flatnonzero(~changes.gained).tolist():
        m, part = int(changes.action[k]), int(changes.part[k])
        if nodes_s[m].max() < end.t_s:
            continue  # out before it began to show
        again = changes.action[changes.gained & (changes.part == part) & (changes.action > m)]
        until_s = np.minimum(still_s, nodes_s[again[0]] if len(again) else np.inf)
        _, by_then = _start(until_s - nodes_s[m], _GONE_S, _GONE_SPREAD)
        likelihood[part] = min(likelihood[part], 1.0 - float(lateness_weights() @ by_then))
    return np.maximum(likelihood, _ON_WITHOUT)


def _start(since_s: Float64Array, median_s: float, spread: float) -> tuple[Float64Array, Float64Array]:
    """Density, 1/s, and probability by then of a start that many seconds after it could begin."""
    positive = np.maximum(since_s, 1e-3)
    z = np.log(positive / median_s) / spread
    density = np.where(since_s > 0.0, np.exp(-0.5 * z * z) / (positive * spread * _ROOT_2PI), 0.0)
    return density, np.where(since_s > 0.0, [_normal(one) for one in z], 0.0)


def _normal(z: float) -> float:
    """The standard normal distribution function: scipy.stats would cost more to import than all of this."""
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))
