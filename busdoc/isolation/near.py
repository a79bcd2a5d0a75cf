"""One incident against every part, with the actions near it summed over how late they may have been written down.

Takes the reach and the written times; gives hazards and survivals that `busdoc.isolation.evidence` puts together.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.press import lateness_weights
from busdoc.isolation.rates import RATES_HZ
from busdoc.isolation.reach import Reach

__all__ = ["SPARED", "WIGGLE_SHOWS", "Soft", "group_fit", "shaken", "soften", "untold"]

_EXTRA = 1e-3
"""Likelihood of each controller that fell and that the part does not reach."""
SPARED = 0.2
"""Likelihood of each controller that the part reaches and that did not fall: one rides through what resets another."""
_WIGGLE_S = 1.5
WIGGLE_SHOWS = 0.4
"""Chance that a bad contact shows when it is moved (common practice: it often does, not always)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Soft:
    """One incident against every part, with the actions near it summed over their lateness."""

    rate: Float64Array
    """(P, R) hazard given that the part had stayed quiet until then, 1/s."""
    log_survival: Float64Array
    """(P, R) of the exposure since the action near."""
    touched: BoolArray
    """(P,) whose exposure began near."""
    reached: BoolArray
    """(P, C) that may have been reached at the moment, though not as the times are written."""


def soften(
    reach: Reach,
    near: Int64Array,
    nodes_s: Float64Array,
    t: float,
    hit: BoolArray,
    since: Float64Array,
    m: int,
) -> Soft:
    n_parts = len(reach.parts)
    weights = lateness_weights()
    now = np.any(reach.reaches[m] & hit[None, :], axis=1)
    rate = np.where(now[:, None], RATES_HZ[None, :], 0.0)
    log_survival = np.zeros((n_parts, len(RATES_HZ)))
    touched = np.zeros(n_parts, np.bool_)
    reached = np.zeros_like(reach.reaches[0])
    since_s = float(since[hit].min()) if hit.any() else 0.0
    for j in near:
        before, after = reach.reaches[j], reach.reaches[j + 1]
        joins = np.any(after & ~before & hit[None, :], axis=1)
        parts = np.any(before & ~after & hit[None, :], axis=1)
        if joins.any():
            waited_s = t - np.maximum(nodes_s[j], since_s)
            done = nodes_s[j] < t
            stays = np.exp(-np.outer(np.maximum(waited_s, 0.0) * done, RATES_HZ))  # (nodes, R)
            alive = weights @ stays
            shows = RATES_HZ * ((weights * done) @ stays)
            rate[joins] = shows / alive
            log_survival[joins] = np.log(alive)
            touched |= joins
            reached |= joins[:, None] & after
        if parts.any():
            still = float(weights[nodes_s[j] > t].sum())
            gone = parts & ~touched
            rate[gone] = still * RATES_HZ
            rate[parts & touched] *= still
            reached |= parts[:, None] & before
    return Soft(rate=rate, log_survival=log_survival, touched=touched, reached=reached)


def group_fit(
    reached: BoolArray, hit: BoolArray, up: BoolArray, loose: BoolArray, spared: float | Float64Array = SPARED
) -> Float64Array:
    """(P,) likelihood of the group that fell, given whom the part reaches.

    `spared` is the likelihood of each controller that was reached and stayed. Of a part that no map knows (`loose`)
    nobody can say whom it reaches: it is not held against it that others stayed.
    """
    of_up = reached & up[None, :]
    extra = np.sum(hit[None, :] & ~of_up, axis=1)
    stayed = np.where(loose, 0, np.sum(of_up & ~hit[None, :], axis=1))
    fit: Float64Array = np.where(np.any(of_up & hit[None, :], axis=1), _EXTRA**extra * spared**stayed, 0.0)
    return fit


def untold(
    written_s: Float64Array, nodes_s: Float64Array, t: float, hit: BoolArray, since: Float64Array
) -> Float64Array:
    """(R,) density of the incident for a part that was exposed against what was written down, 1/s.

    Half for one that was plugged when the latest press says that something else was done, half for one that was
    plugged at any time in the half minute before.
    """
    since_s = float(since[hit].min()) if hit.any() else 0.0
    past = np.flatnonzero(written_s < t + 2.0)
    begun_s = max(since_s, float(written_s[past[-1]]) if len(past) else 0.0)
    spread_s = max(t - max(since_s, begun_s - 30.0), 1.0)
    density: Float64Array = 0.5 * -np.expm1(-RATES_HZ * spread_s) / spread_s
    if len(past):
        waited_s = t - np.maximum(nodes_s[past[-1]], since_s)
        shows = np.where(waited_s[:, None] > 0.0, np.exp(-np.outer(np.maximum(waited_s, 0.0), RATES_HZ)), 0.0)
        density = density + 0.5 * RATES_HZ * (lateness_weights() @ shows)
    return density


def shaken(
    reach: Reach,
    actions: Sequence[Action],
    near: Int64Array,
    nodes_s: Float64Array,
    t: float,
    fit: Float64Array,
) -> Float64Array:
    """(P,) density added by a wiggle just before."""
    added = np.zeros(len(reach.parts))
    for j in near:
        if actions[j].kind is ActionKind.WIGGLE:
            after_s = t - nodes_s[j]
            soon = float(lateness_weights()[(after_s > 0.0) & (after_s < _WIGGLE_S)].sum()) / _WIGGLE_S
            added = np.where(reach.touched[j], np.maximum(added, WIGGLE_SHOWS * soon * fit), added)
    return added
