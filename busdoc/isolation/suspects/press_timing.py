"""When a press was really made, and one incident against every part with the presses near it read in every way.

First the law of lateness: written minus true time, on nodes in units of the press's own uncertainty. Then, for one
incident, hazards and survivals summed over it, the fit of who fell, and what a press that is wrong leaves possible;
`busdoc.isolation.suspects.evidence` puts them together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.rates import RATES_HZ, density_within
from busdoc.times import SECOND_NS

__all__ = [
    "EXTRA",
    "OFFSETS_S",
    "OFFSET_PRIOR",
    "SPARED",
    "WIGGLE_S",
    "WIGGLE_SHOWS",
    "Soft",
    "group_fit",
    "lateness_s",
    "lateness_weights",
    "shaken",
    "soften",
    "untold",
]

_STEP = 0.1
"""Of the sum over lateness, in units of the uncertainty (bound on work)."""
_NODES = np.arange(-30, 51) * _STEP
"""Written minus true time, in units of the action's own uncertainty, from three early to five late (bound on work)."""
_MEAN_LAG = 0.55
"""Of the press behind the plug, in the same units: half a second for the usual second of uncertainty.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.press_timing._MEAN_LAG 0.4 0.8 --law uniform heavy-tail"""
_SLOPPY = (0.2, 1.0, 2.2)
"""Share of presses that come at any time, early or late; mean and standard deviation of their lateness, in the same
units. So wide that presses which are later than their uncertainty says do not accuse a sound part.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.press_timing._SLOPPY '(0.1, 0.3, 1.2)' --law uniform --latest 6"""

OFFSETS_S: Float64Array = np.asarray(np.arange(-14, 15) * 0.5, np.float64)
"""Journal clock minus capture clock, as far as it is worth asking (bound on work)."""
_LIKELY = np.exp(-0.5 * (OFFSETS_S / 0.4) ** 2) + 0.02
"""Not normalised: within half a second as a rule, else anywhere in reach (common practice)."""
OFFSET_PRIOR: Float64Array = np.asarray(_LIKELY / _LIKELY.sum(), np.float64)
"""One clock serves both as a rule (common practice: laptop and bus interface share it); now and then it does not."""
EXTRA = 1e-3
"""Likelihood of each controller that fell and that the cause, a part or an action, does not reach.
Settled on simulated sessions, and flat; try again with:
python -m benchmarks.isolation_fit suspects.press_timing.EXTRA 1e-4 1e-2"""
SPARED = 0.2
"""Likelihood of each controller that the cause reaches and that did not fall: one rides through what resets another.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.press_timing.SPARED 0.07 0.5"""
WIGGLE_S = 1.5
"""A bad contact that is moved shows within about this time (common practice)."""
WIGGLE_SHOWS = 0.4
"""Chance that a bad contact shows when it is moved (common practice: it often does, not always)."""


@lru_cache(maxsize=1)
def lateness_weights() -> Float64Array:
    """Weigh the nodes: an exponential lag, blurred by a hand's imprecision, over a broad normal for sloppy presses."""
    fine = np.arange(0.0, 5.0, _STEP / 4)
    lag = np.exp(-fine / _MEAN_LAG)
    blur = np.exp(-0.5 * ((_NODES[:, None] - fine[None, :]) / 0.15) ** 2) @ lag
    share, mean, spread = _SLOPPY
    sloppy = np.exp(-0.5 * ((_NODES - mean) / spread) ** 2)
    # The lag of the press behind the plug, on a grid four times as fine, blurred; each of the two laws sums to one.
    weights: Float64Array = (1.0 - share) * blur / blur.sum() + share * sloppy / sloppy.sum()
    weights.setflags(write=False)
    return weights


def lateness_s(actions: Sequence[Action]) -> Float64Array:
    """Give the nodes for several actions.

    Returns
    -------
    (n, nodes) float64, s: written minus true time, weighted by `lateness_weights`
    """
    sigma_s = np.array([a.uncertainty_ns / SECOND_NS for a in actions])
    by_hand = np.array([a.origin is Origin.JOURNAL for a in actions])
    centre = np.where(by_hand, 0.0, -_MEAN_LAG)
    nodes: Float64Array = (_NODES[None, :] + centre[:, None]) * sigma_s[:, None]
    return nodes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Soft:
    """One incident against every part, with the actions near it summed over their lateness."""

    rate: Float64Array
    """(P, R) hazard given that the part had stayed quiet until then, 1/s."""
    log_survival: Float64Array
    """(P, R) of the exposure since the action near."""
    reached: BoolArray
    """(P, C) that may have been reached at the moment, though not as the times are written."""


def soften(
    reach: Reach,
    near: Int64Array,
    nodes_s: Float64Array,
    t: float,
    hit: BoolArray,
    since_s: float,
    window_s: float = 0.0,
) -> Soft:
    """Weigh one incident against every part, the actions near it summed over when they may really have been done.

    Parameters
    ----------
    reach : who reaches whom between the actions: P parts, C controllers
    near : indices of the actions near the incident, in order
    nodes_s : (n, nodes) possible true times of the n actions, s, weighted by `lateness_weights`
    t : when the controllers fell, s
    hit : (C,) that fell
    since_s : the first of those that fell was up since
    window_s : they fell within so long before `t`
    """
    n_parts = len(reach.parts)
    weights = lateness_weights()
    # As the times are written; whether it was joined to one of those that fell is `group_fit`'s to say.
    rate = np.tile(density_within(window_s), (n_parts, 1))
    log_survival = np.zeros((n_parts, len(RATES_HZ)))
    touched = np.zeros(n_parts, np.bool_)
    reached = np.zeros_like(reach.reaches[0])
    for j in near:
        before, after = reach.reaches[j], reach.reaches[j + 1]
        joins = np.any(after & ~before & hit[None, :], axis=1)
        parts = np.any(before & ~after & hit[None, :], axis=1)
        # Joined by this press: exposed since it was really made, if that was before the incident; both weighted.
        if joins.any():
            waited_s = t - np.maximum(nodes_s[j], since_s)
            done = nodes_s[j] < t
            stays = np.exp(-np.outer(np.maximum(waited_s - window_s, 0.0) * done, RATES_HZ))  # (nodes, R)
            alive = weights @ stays
            if window_s > 0.0:
                shows = (weights * done) @ (stays * _shows_within(waited_s, window_s))
            else:
                shows = RATES_HZ * ((weights * done) @ stays)
            rate[joins] = shows / alive
            log_survival[joins] = np.log(alive)
            touched |= joins
            reached |= joins[:, None] & after
        # Parted by this press: exposed only if it was really made after the incident.
        if parts.any():
            still = float(weights @ _still_in(nodes_s[j], t, window_s))
            gone = parts & ~touched
            rate[gone] = still * density_within(window_s)
            rate[parts & touched] *= still
            reached |= parts[:, None] & before
    return Soft(rate=rate, log_survival=log_survival, reached=reached)


def _shows_within(waited_s: Float64Array, window_s: float) -> Float64Array:
    """(nodes, R) density of a showing in the last `window_s` of a wait, quiet until then, 1/s."""
    return np.asarray(-np.expm1(-np.outer(np.clip(waited_s, 0.0, window_s), RATES_HZ)) / window_s, np.float64)


def _still_in(done_s: Float64Array, t: float, window_s: float) -> Float64Array:
    """(nodes,) that what was unplugged then was still in as it began, at any time within the window before `t`."""
    if window_s <= 0.0:
        return (done_s > t).astype(np.float64)
    return np.asarray(np.clip((done_s - (t - window_s)) / window_s, 0.0, 1.0), np.float64)


def group_fit(
    reached: BoolArray,
    hit: BoolArray,
    up: BoolArray,
    loose: BoolArray,
    spared: float | Float64Array,
    its_own: int = 0,
) -> Float64Array:
    """(P,) likelihood of the group that fell, given whom the part reaches.

    `spared` is the likelihood of each controller that was reached and stayed. Of a part that no map knows (`loose`)
    nobody can say whom it reaches: it is not held against it that others stayed. Nor is it of `its_own` that were
    reached: one of them shows what nobody knows to be its own, a lamp.
    """
    of_up = reached & up[None, :]
    extra = np.sum(hit[None, :] & ~of_up, axis=1)
    stayed = np.where(loose, 0, np.maximum(np.sum(of_up & ~hit[None, :], axis=1) - its_own, 0))
    fit: Float64Array = np.where(np.any(of_up & hit[None, :], axis=1), EXTRA**extra * spared**stayed, 0.0)
    return fit


def untold(
    written_s: Float64Array, nodes_s: Float64Array, t: float, since_s: float, window_s: float = 0.0
) -> Float64Array:
    """(R,) density of the incident for a part that was exposed against what was written down, 1/s.

    Half for one that was plugged when the latest press says that something else was done, half for one that was
    plugged at any time in the half minute before.
    """
    past = np.flatnonzero(written_s < t + 2.0)
    begun_s = max(since_s, float(written_s[past[-1]]) - 30.0) if len(past) else since_s
    spread_s = max(t - begun_s, 1.0)
    density: Float64Array = 0.5 * -np.expm1(-RATES_HZ * spread_s) / spread_s
    if len(past):
        waited_s = t - np.maximum(nodes_s[past[-1]], since_s)
        quiet_s = np.maximum(waited_s - window_s, 0.0)
        shows = np.where(waited_s[:, None] > 0.0, np.exp(-np.outer(quiet_s, RATES_HZ)), 0.0)
        density = density + 0.5 * density_within(window_s) * (lateness_weights() @ shows)
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
            soon = float(lateness_weights()[(after_s > 0.0) & (after_s < WIGGLE_S)].sum()) / WIGGLE_S
            added = np.where(reach.touched[j], np.maximum(added, WIGGLE_SHOWS * soon * fit), added)
    return added
