"""What the record says for and against every part: hazards at the incidents, and the survival of quiet exposure.

Takes the losses, the actions and the map's reach; gives arrays over parts, incidents and rates that
`busdoc.isolation.posterior` multiplies out. A faulty part with rate r shows with hazard r while it is exposed to a
controller that is on the bus, and with none otherwise. Three things blur that:

* presses come late by an unknown time, so near an action exposure is summed over its lateness;
* a press may be wrong, missing or doubled, so what was written down is doubted a little everywhere and a lot where a
  later press does not fit it;
* the part may have gone bad within the record, so quiet exposure before the first trouble counts half.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.machine import Machine, PartKind
from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.losses import Losses
from busdoc.isolation.press import lateness_s, lateness_weights
from busdoc.isolation.prior import kind_of
from busdoc.isolation.rates import BACKGROUND_HZ, RATES_HZ
from busdoc.isolation.reach import Reach

__all__ = ["Evidence", "weigh_evidence"]

_NS = 1e9
_DOUBT = 0.02
"""That what was written down of a part is wrong, where nothing contradicts it."""
_CONTRADICTED = 0.5
"""The same where a later press does not fit."""
_ACCOMPLICE = 0.3
"""The same for the part that was written down when the contradicted one may have been meant."""
_TWICE_S = 3.0
"""The same press again within this time is a doubled one, not a contradiction."""
_EXTRA = 1e-3
_SPARED = 0.2
_TOGETHER = 0.03
"""Share of unexplained incidents that take several controllers at once."""
_BEGAN_BEFORE = 0.5
"""That a fault was there before the record began, rather than begun between then and the first trouble."""
_WIGGLE_S = 1.5
_WIGGLE_SHOWS = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """P parts, K incidents that no action explains, R rates, Z background rates."""

    hazard: Float64Array
    """(P, K, R) likelihood density of the incident if the part made it, 1/s."""
    survival: Float64Array
    """(P, R) probability of all quiet exposure."""
    quiet: Float64Array
    """(P, R) the part of `survival` that trials after the first trouble earned."""
    background: Float64Array
    """(K, Z) the density if nothing on the map made it, 1/s."""
    calm: Float64Array
    """(Z,) probability of no further such incidents."""
    exposed: BoolArray
    """(P, K) as written down: whether the part could have made the incident."""
    exposure_s: Float64Array
    """(P,) seconds exposed to a controller on the bus, after the first trouble began."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells:
    """Time cut at every action and at every loss and return."""

    from_s: Float64Array
    length_s: Float64Array
    live: BoolArray
    """(cells, P)"""
    stint: np.typing.NDArray[np.int64]
    """(cells, P) counts the changes of what the part is plugged to."""
    up_s: float
    """Controller seconds on the bus, of all together."""


def weigh_evidence(
    machine: Machine,
    losses: Losses,
    unexplained: Sequence[int],
    reach: Reach,
    actions: Sequence[Action],
    start_ns: int,
    span_s: float,
    offset_s: float = 0.0,
) -> Evidence:
    """Put the record into likelihoods.

    Parameters
    ----------
    machine : the map
    losses : all of them; they say when each controller was on the bus
    unexplained : rows of `losses` that no action explains by itself
    reach : of the same actions
    actions : ascending by time
    start_ns, span_s : what was watched
    offset_s : the journal's clock minus the capture's, as far as it is known
    """
    written_s = np.array([(a.time_ns - start_ns) / _NS - offset_s for a in actions])
    sigma_s = np.array([max(a.uncertainty_ns / _NS, 1e-3) for a in actions])
    likely_s = np.maximum.accumulate(written_s - 0.5 * sigma_s) if len(actions) else written_s
    rows = np.array(unexplained, np.int64)
    t_s, hit, up = losses.t_s[rows], losses.hit[rows], losses.up[rows]
    first_s = float(t_s.min()) if len(rows) else np.inf
    cells = _cut(losses, reach, likely_s, span_s, first_s)
    doubt = _doubts(machine, reach, actions, written_s)
    n_parts, n_rates = len(reach.parts), len(RATES_HZ)
    hazard = np.zeros((n_parts, len(rows), n_rates))
    exposed = np.zeros((n_parts, len(rows)), np.bool_)
    log_soft = np.zeros((n_parts, n_rates))  # survival where an exposure's beginning is blurred
    busy = np.zeros((n_parts, int(cells.stint.max(initial=0)) + 1), np.bool_)
    kinds = [kind_of(machine, part) for part in reach.parts]
    everywhere: BoolArray = np.asarray(np.any(reach.reaches, axis=0))
    nodes_s = written_s[:, None] - lateness_s(actions) if len(actions) else np.empty((0, 0))
    for k, t in enumerate(t_s):
        m = int(np.searchsorted(likely_s, t))
        near = np.flatnonzero((written_s > t - 5.0 * sigma_s) & (written_s < t + 5.0 * sigma_s))
        since = losses.since_s[rows[k]]
        soft = _soften(reach, near, nodes_s, t, hit[k], since, m)
        _exempt(cells, reach, near, likely_s, t, hit[k], since)
        log_soft += soft.log_survival
        fit_now = _fit(reach.reaches[m] | soft.reached, hit[k], up[k])
        fit_ever = _fit(everywhere, hit[k], up[k])
        told = soft.rate * np.where(fit_now > 0.0, 1.0 - doubt[m], 0.0)[:, None] * fit_now[:, None]
        untold = _untold(reach, doubt[m], written_s, nodes_s, t, hit[k], since)
        sign = _sign_fit(kinds, float(losses.p_restarted[rows[k]]))
        hazard[:, k, :] = (told + untold * fit_ever[:, None]) * sign[:, None]
        hazard[:, k, :] += _shaken(reach, actions, near, nodes_s, t, fit_now * sign)[:, None]
        exposed[:, k] = fit_now > 0.01
        here = np.flatnonzero(cells.from_s < t)
        if len(here):
            stint = cells.stint[here[-1]]
            busy[np.flatnonzero(exposed[:, k]), stint[exposed[:, k]]] = True
    survival, quiet, exposure_s = _survive(cells, first_s, busy, _stint_doubt(cells, doubt, likely_s), log_soft)
    alone = np.where(hit.sum(axis=1) > 1, _TOGETHER, 1.0) * _sign_background(losses.p_restarted[rows])
    return Evidence(
        hazard=hazard,
        survival=survival,
        quiet=quiet,
        background=alone[:, None] * BACKGROUND_HZ[None, :],
        calm=np.exp(-BACKGROUND_HZ * cells.up_s),
        exposed=exposed,
        exposure_s=exposure_s,
    )


def _cut(losses: Losses, reach: Reach, likely_s: Float64Array, span_s: float, first_s: float) -> _Cells:
    edges = [0.0, span_s, *likely_s.tolist()]
    for absences in losses.away:
        edges += [edge for absence in absences for edge in absence]
    if np.isfinite(first_s):
        edges.append(first_s)
    cut_s = np.unique(np.clip([edge for edge in edges if np.isfinite(edge)], 0.0, span_s))
    from_s, length_s = cut_s[:-1], np.diff(cut_s)
    middle_s = from_s + 0.5 * length_s
    up = np.ones((len(from_s), len(reach.controllers)), np.bool_)
    for c, absences in enumerate(losses.away):
        for gone_s, back_s in absences:
            up[(middle_s > gone_s) & (middle_s < back_s), c] = False
    stretch = np.searchsorted(likely_s, middle_s)
    live = np.any(reach.reaches[stretch] & up[:, None, :], axis=2)
    changed = np.any(reach.reaches[1:] != reach.reaches[:-1], axis=2)
    number = np.concatenate((np.zeros((1, len(reach.parts)), np.int64), np.cumsum(changed, axis=0)))
    return _Cells(
        from_s=from_s,
        length_s=length_s,
        live=live,
        stint=number[stretch],
        up_s=float((up.sum(axis=1) * length_s).sum()),
    )


def _doubts(machine: Machine, reach: Reach, actions: Sequence[Action], written_s: Float64Array) -> Float64Array:
    """(n + 1, P) how much each stretch's word on each part is to be doubted."""
    doubt = np.full((len(actions) + 1, len(reach.parts)), _DOUBT)
    for m, action in enumerate(actions):
        if not reach.odd[m] or action.part is None:
            continue
        before = [j for j in range(m) if action.part in (actions[j].part, actions[j].into)]
        last = before[-1] if before else -1
        if before and actions[last].kind is action.kind and written_s[m] - written_s[last] < _TWICE_S:
            continue
        doubt[last + 1 : m + 1, reach.touched[m]] = _CONTRADICTED
        for j in range(m - 1, last, -1):
            if actions[j].kind in (ActionKind.PLUG, ActionKind.UNPLUG) and actions[j].kind is not action.kind:
                later = [i for i in range(j + 1, len(actions)) if actions[i].part == actions[j].part]
                until = later[0] if later else len(actions)
                part = doubt[j + 1 : until + 1]
                part[:, reach.touched[j]] = np.maximum(part[:, reach.touched[j]], _ACCOMPLICE)
                break
    return doubt


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Soft:
    """One incident against every part, with the actions near it summed over their lateness."""

    rate: Float64Array
    """(P, R) hazard given that the part had stayed quiet until then, 1/s."""
    log_survival: Float64Array
    """(P, R) of the exposure since the action near."""
    touched: BoolArray
    """(P,) whose exposure began near."""
    reached: BoolArray
    """(P, C) that may have been reached at the moment, though not as the times are written."""


def _soften(
    reach: Reach,
    near: np.typing.NDArray[np.int64],
    nodes_s: Float64Array,
    t: float,
    hit: BoolArray,
    since: Float64Array,
    m: int,
) -> _Soft:
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
    return _Soft(rate=rate, log_survival=log_survival, touched=touched, reached=reached)


def _exempt(
    cells: _Cells,
    reach: Reach,
    near: np.typing.NDArray[np.int64],
    likely_s: Float64Array,
    t: float,
    hit: BoolArray,
    since: Float64Array,
) -> None:
    """Take the exposure that `_soften` counts out of the cells."""
    since_s = float(since[hit].min()) if hit.any() else 0.0
    middle_s = cells.from_s + 0.5 * cells.length_s
    for j in near:
        joins = np.any(reach.reaches[j + 1] & ~reach.reaches[j] & hit[None, :], axis=1)
        counted = (middle_s > max(float(likely_s[j]), since_s)) & (middle_s < t)
        cells.live[np.ix_(counted, joins)] = False


def _fit(reached: BoolArray, hit: BoolArray, up: BoolArray) -> Float64Array:
    """(P,) likelihood of the group that fell, given whom the part reaches."""
    of_up = reached & up[None, :]
    extra = np.sum(hit[None, :] & ~of_up, axis=1)
    spared = np.sum(of_up & ~hit[None, :], axis=1)
    fit: Float64Array = np.where(np.any(of_up & hit[None, :], axis=1), _EXTRA**extra * _SPARED**spared, 0.0)
    return fit


def _untold(
    reach: Reach,
    doubt: Float64Array,
    written_s: Float64Array,
    nodes_s: Float64Array,
    t: float,
    hit: BoolArray,
    since: Float64Array,
) -> Float64Array:
    """(P, R) density of the incident for a part that was exposed against what was written down."""
    since_s = float(since[hit].min()) if hit.any() else 0.0
    density = np.zeros(len(RATES_HZ))
    past = np.flatnonzero(written_s < t + 2.0)
    begun_s = max(since_s, float(written_s[past[-1]]) if len(past) else 0.0)
    spread_s = max(t - max(since_s, begun_s - 30.0), 1.0)
    density += 0.5 * -np.expm1(-RATES_HZ * spread_s) / spread_s
    if len(past):
        waited_s = t - np.maximum(nodes_s[past[-1]], since_s)
        shows = np.where(waited_s[:, None] > 0.0, np.exp(-np.outer(np.maximum(waited_s, 0.0), RATES_HZ)), 0.0)
        density += 0.5 * RATES_HZ * (lateness_weights() @ shows)
    unplugs = np.any(~reach.reaches.all(axis=0) & reach.reaches.any(axis=0), axis=1)  # others cannot be miswritten
    untold: Float64Array = np.where(unplugs, doubt, 0.0)[:, None] * density[None, :]
    return untold


def _sign_fit(kinds: Sequence[PartKind | None], p_restarted: float) -> Float64Array:
    """(P,) likelihood of 'restarted or kept running', as far as it was told, for a fault of each kind of part."""
    if np.isnan(p_restarted):
        return np.ones(len(kinds))
    p = round(min(max(p_restarted, 0.05), 0.95), 1)  # in steps, so that like incidents have like evidence
    restarts = np.array([0.1 if k is PartKind.SEGMENT else 0.5 if k in _EITHER else 0.95 for k in kinds])
    fit: Float64Array = 2.0 * (restarts * p + (1.0 - restarts) * (1.0 - p))
    return fit


_EITHER = (PartKind.LEAD, PartKind.CONNECTOR, PartKind.TERMINATOR)


def _sign_background(p_restarted: Float64Array) -> Float64Array:
    p = np.where(np.isnan(p_restarted), 0.5, np.round(np.clip(p_restarted, 0.05, 0.95), 1))
    fit: Float64Array = 2.0 * (0.8 * p + 0.2 * (1.0 - p))
    return fit


def _shaken(
    reach: Reach,
    actions: Sequence[Action],
    near: np.typing.NDArray[np.int64],
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
            added = np.where(reach.touched[j], np.maximum(added, _WIGGLE_SHOWS * soon * fit), added)
    return added


def _stint_doubt(cells: _Cells, doubt: Float64Array, likely_s: Float64Array) -> Float64Array:
    """(P, stints) the doubt of each stint of each part."""
    stretch = np.searchsorted(likely_s, cells.from_s + 0.5 * cells.length_s)
    of_cell = doubt[stretch]
    worst = np.full((cells.stint.shape[1], int(cells.stint.max(initial=0)) + 1), 0.0)
    columns = np.broadcast_to(np.arange(cells.stint.shape[1]), cells.stint.shape)
    np.maximum.at(worst, (columns, cells.stint), of_cell)
    return worst


def _survive(
    cells: _Cells, first_s: float, busy: BoolArray, doubt: Float64Array, log_soft: Float64Array
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Multiply the survival of all quiet exposure: before the first trouble counts half, later ones by stint."""
    n_parts = cells.live.shape[1]
    early = cells.from_s < first_s - 1e-9
    spent_s = cells.live * cells.length_s[:, None]  # (cells, P)
    before = _before_first(spent_s[early], cells.length_s[early]) if np.isfinite(first_s) else None
    late = ~early if before is not None else np.ones(len(early), np.bool_)
    by_stint = np.zeros_like(doubt)
    columns = np.broadcast_to(np.arange(n_parts), cells.stint.shape)
    np.add.at(by_stint, (columns[late], cells.stint[late]), spent_s[late])
    stays = np.exp(-by_stint[:, :, None] * RATES_HZ)  # (P, stints, R)
    moves = doubt.shape[1] > 1
    floor = np.where(busy | (not moves), 0.0, doubt)[:, :, None] if moves else 0.0
    plugged_always = np.array([len(np.unique(cells.stint[:, p])) == 1 for p in range(n_parts)])
    floor = np.where(plugged_always[:, None, None], 0.0, floor)
    stays = np.where(by_stint[:, :, None] > 0.0, (1.0 - floor) * stays + floor, 1.0)
    quiet = stays.prod(axis=1) * np.exp(log_soft)
    survival = quiet if before is None else quiet * before
    return survival, quiet, by_stint.sum(axis=1)


def _before_first(spent_s: Float64Array, length_s: Float64Array) -> Float64Array:
    """(P, R) survival up to the first trouble, for a fault that was there before or began at any time since."""
    if not len(length_s) or length_s.sum() <= 0.0:
        return np.ones((spent_s.shape[1], len(RATES_HZ)))
    left_s = np.cumsum(spent_s[::-1], axis=0)[::-1]  # exposure from each cell's start to the first trouble
    whole = np.exp(-left_s[0][:, None] * RATES_HZ)
    after_s = left_s - spent_s
    cost = spent_s[:, :, None] * RATES_HZ
    share = np.where(cost > 1e-9, -np.expm1(-cost) / np.maximum(cost, 1e-9), 1.0)
    began = (np.exp(-after_s[:, :, None] * RATES_HZ) * share * length_s[:, None, None]).sum(axis=0) / length_s.sum()
    mixed: Float64Array = _BEGAN_BEFORE * whole + (1.0 - _BEGAN_BEFORE) * began
    return mixed
