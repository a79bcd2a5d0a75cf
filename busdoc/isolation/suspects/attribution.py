"""Which action did it: for every incident, the posterior over the recorded actions and 'none of them'.

Takes incidents, actions and the map. An action answers for an incident when it took the controllers' supply, bus or
connector away (the incident is then expected), or when it newly exposed a part that showed its fault promptly. What
showed long after exposure answers to no action, and an action that merely happened to be near must be able to lose:
whether a part is bad, and how fast it shows, is judged from the whole record at once
(`busdoc.isolation.suspects.sets.posterior`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.isolation.suspects.exposure import Reach, find_reach, with_controllers
from busdoc.isolation.suspects.findings import Findings, work_through
from busdoc.isolation.suspects.losses import Losses, gather_losses, silent_at_first
from busdoc.isolation.suspects.press_timing import (
    EXTRA,
    OFFSET_PRIOR,
    OFFSETS_S,
    SPARED,
    WIGGLE_S,
    lateness_s,
    lateness_weights,
)
from busdoc.isolation.suspects.rates import RATES_HZ
from busdoc.isolation.suspects.sets.many import bounded
from busdoc.isolation.verdict import Because
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["attribute", "attribute_incidents", "attribute_showings", "awaits_its_press", "taken_away"]

_HOLD_UP_S = 0.6
"""A controller that lost its supply lives on its capacitors for up to about this long (common practice)."""
_PROMPT_HZ = 0.2
"""A fault that shows at a higher rate than this answers to the action that exposed it; a slower one to none.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.attribution._PROMPT_HZ 0.07 0.6"""
_PROMPT_WIDTH = 0.35
"""How soft that limit is, in the logarithm of the rate.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.attribution._PROMPT_WIDTH 0.1 1.0"""
_PRESS_WITHIN_S = 2.5
"""A press comes no later after what was done, as a rule.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.attribution._PRESS_WITHIN_S 1.5 5.0"""
_BY_ITSELF = np.array([0.5, 0.1, 0.1])
"""Losses that no action made, to begin with: of one controller, of several at once, and of all, which are much rarer.
Each is judged by its own kind: that one controller often restarts makes no loss of all of them likelier.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.attribution._BY_ITSELF '[0.2, 0.03, 0.03]' '[1.5, 0.3, 0.3]'"""
_ROUNDS = 4
"""Of judging losses and the clock's offset by one another; bound on work."""


def attribute(health: Health, actions: Sequence[Action], machine: Machine) -> tuple[Because, ...]:
    """Attribute every incident of a capture.

    Parameters
    ----------
    health : of the capture; its incidents are what is asked about
    actions : in any order, on the capture's clock
    machine : the map; with an empty one any action may act on any controller

    Returns
    -------
    One `Because` for each of `health.incidents`, in their order
    """
    span_s = max((health.until_ns - health.start_ns) / SECOND_NS, 1.0)
    return attribute_incidents(
        health.incidents, actions, machine, start_ns=health.start_ns, span_s=span_s, absent=silent_at_first(health)
    )


def attribute_incidents(
    incidents: Sequence[Incident],
    actions: Sequence[Action],
    machine: Machine,
    *,
    start_ns: int,
    span_s: float,
    absent: Sequence[tuple[str, int, int | None]] = (),
) -> tuple[Because, ...]:
    """Attribute incidents that were seen in `span_s` seconds from `start_ns` on.

    `absent` names controllers that are known to have been away otherwise, with from and to (None: still).
    """
    ordered = sorted(actions, key=lambda a: (a.time_ns, a.n))
    machine = with_controllers(machine, (name for incident in incidents for name in incident.controllers))
    reach = find_reach(machine, ordered)
    losses = gather_losses(incidents, reach.controllers, start_ns, absent)
    found = [
        Because(incident=k, action=None, probability=0.0, spontaneous=1.0, lag_ns=None, expected=False)
        for k in range(len(incidents))
    ]
    if not ordered or not len(losses.t_s):
        return tuple(found)
    taken, offset_s = taken_away(losses, reach, ordered, start_ns, span_s)
    waits = np.array([awaits_its_press(losses, row, ordered, span_s) for row in range(len(losses.t_s))], np.bool_)
    done_s = [(action.time_ns - start_ns) / SECOND_NS for action in ordered]
    weighed, unexplained = bounded(losses, np.flatnonzero((taken.sum(axis=1) < 0.5) & ~waits).tolist(), done_s)
    findings = work_through(
        machine, reach, weighed, unexplained, ordered, start_ns=start_ns, span_s=span_s, offset_s=offset_s
    )
    prompt = np.zeros_like(taken)
    prompt[unexplained] = _exposed_promptly(findings) * (1.0 - taken[unexplained].sum(axis=1, keepdims=True))
    for row, k in enumerate(losses.incident):
        found[k] = _because(k, incidents[k].onset_ns, ordered, taken[row], prompt[row])
    return tuple(found)


def attribute_showings(findings: Findings, onsets_ns: Sequence[int]) -> tuple[Because, ...]:
    """Attribute the showings of a symptom: no action takes it away from anybody, one may have exposed what made it.

    Parameters
    ----------
    findings : of a symptom that is no dropout
    onsets_ns : when each of `findings.losses` was first seen showing, ns
    """
    if not findings.actions or not onsets_ns:
        return tuple(
            Because(incident=k, action=None, probability=0.0, spontaneous=1.0, lag_ns=None, expected=False)
            for k in range(len(onsets_ns))
        )
    prompt = _exposed_promptly(findings)
    nothing = np.zeros(len(findings.actions))
    return tuple(
        _because(k, onset_ns, findings.actions, nothing, prompt[k], expected=False)
        for k, onset_ns in enumerate(onsets_ns)
    )


def taken_away(
    losses: Losses, reach: Reach, actions: Sequence[Action], start_ns: int, span_s: float
) -> tuple[Float64Array, float]:
    """Weigh every action as what took the controllers' supply, bus or connector away.

    Returns
    -------
    (K, n) probabilities; the journal's clock minus the capture's, s, as far as that tells
    """
    if not actions or not len(losses.t_s):
        return np.empty((len(losses.t_s), len(actions))), 0.0
    # When each action may really have been done: over how late it was written, and over the offset of the clocks.
    weights = lateness_weights()
    written_s = np.array([(a.time_ns - start_ns) / SECOND_NS for a in actions])
    true_s = written_s[:, None] - lateness_s(actions)  # (n, nodes)
    by_hand = np.array([a.origin is Origin.JOURNAL for a in actions])
    shift_s = np.where(by_hand[:, None], OFFSETS_S[None, :], 0.0)  # (n, D)
    # The density of each loss if the action took it, for each offset; one lives on for a moment without supply.
    fit = _group_fit(losses, reach.takes)
    reach_s = np.abs(lateness_s(actions)).max(axis=1) + OFFSETS_S.max() + _HOLD_UP_S  # beyond it there is none
    density = np.zeros((len(losses.t_s), len(actions), len(OFFSETS_S)))
    for k, n in np.argwhere((np.abs(losses.t_s[:, None] - written_s) < reach_s) & (fit > 0.0)).tolist():
        after_s = losses.t_s[k] - true_s[n][:, None] + shift_s[n][None, :]  # (nodes, D)
        in_time = (after_s > -0.15) & (after_s < _HOLD_UP_S)
        density[k, n] = fit[k, n] * (weights @ in_time) / (_HOLD_UP_S + 0.15)
    # How often each kind of loss comes by itself, and the offset, judged by one another.
    several = losses.hit.sum(axis=1) > 1
    everyone = several & ~np.any(losses.up & ~losses.hit, axis=1)
    of_class = np.stack((~several, several & ~everyone, everyone))  # (3, K)
    unexplained = _BY_ITSELF
    for _ in range(_ROUNDS):
        rate = ((_BY_ITSELF + unexplained) @ of_class / (span_s + 60.0))[:, None]
        total = rate + density.sum(axis=1)  # (K, D)
        log_offset = np.log(OFFSET_PRIOR) + np.log(total).sum(axis=0)
        offset = np.exp(log_offset - log_offset.max())
        offset /= offset.sum()
        unexplained = of_class @ ((rate / total) @ offset)
    taken: Float64Array = np.einsum("knd,kd,d->kn", density, 1.0 / total, offset)
    return taken, float(offset @ OFFSETS_S)


def awaits_its_press(losses: Losses, row: int, actions: Sequence[Action], span_s: float) -> bool:
    """Whether several controllers fell so shortly before the end that the press for it may be yet to come.

    Power is switched off, and as a rule it is pressed a moment later; a recording may end between the two. Where nobody
    wrote anything down, no press is to be waited for.
    """
    fell = np.flatnonzero(losses.hit[row])
    t = float(losses.t_s[row])
    if len(fell) < 2 or t < span_s - _PRESS_WITHIN_S or not any(a.origin is Origin.JOURNAL for a in actions):
        return False
    return all(losses.away[int(c)] and losses.away[int(c)][-1][1] > span_s for c in fell)


def _group_fit(losses: Losses, takes: BoolArray) -> Float64Array:
    """(K, n) likelihood of the group that fell, given what each action takes."""
    reached = takes[None, :, :] & losses.up[:, None, :]
    hit = losses.hit[:, None, :]
    extra = np.sum(hit & ~reached, axis=2)
    # controllers hold out for different times without supply: one that fell in another incident close by was not spared
    near = np.abs(losses.t_s[:, None] - losses.t_s[None, :]) < _HOLD_UP_S
    fell_near = (near.astype(np.int64) @ losses.hit.astype(np.int64)) > 0
    spared = np.sum(reached & ~fell_near[:, None, :], axis=2)
    fit: Float64Array = np.where(np.any(hit & reached, axis=2), EXTRA**extra * np.maximum(SPARED**spared, 1e-3), 0.0)
    return fit


def _exposed_promptly(findings: Findings) -> Float64Array:
    """(K, n) probability that the action exposed, or shook, the part that then showed at once."""
    reach, losses, actions = findings.reach, findings.losses, findings.actions
    rows = list(findings.unexplained)
    prompt = 1.0 / (1.0 + np.exp(-(np.log(RATES_HZ / _PROMPT_HZ)) / _PROMPT_WIDTH))
    shows_rate = findings.posterior.shows_rate
    written_s = np.array([(a.time_ns - findings.start_ns) / SECOND_NS for a in actions]) - findings.offset_s
    done_s = written_s[:, None] - lateness_s(actions)
    weights = lateness_weights()
    found = np.zeros((len(rows), len(actions)))
    told: tuple[bytes, _Exposing] | None = None
    for k, row in enumerate(rows):
        t, hit = float(losses.t_s[row]), losses.hit[row]
        before = (done_s < t) @ weights  # (n,)
        since_s = float(losses.since_s[row][hit].min(initial=t))
        if told is None or told[0] != hit.tobytes():  # mostly the same fall again and again
            told = hit.tobytes(), _exposing(reach, hit)
        moves = told[1]
        share = _latest_exposing(moves.exposes, moves.removes, before[moves.action])
        for j in np.flatnonzero(share.any(axis=1)).tolist():
            n = int(moves.action[j])
            waited_s = float(np.maximum(t - np.maximum(done_s[n], since_s), 0.0) @ weights)
            there = _was_there(waited_s, t) if k == 0 else 1.0
            fresh = _not_shown_since(findings, rows, k, float(done_s[n] @ weights), moves.part[moves.exposes[j]])
            found[k, n] += fresh * float(share[j] @ (shows_rate[k][moves.part] @ (prompt * there)))
        for n, action in enumerate(actions):
            if action.kind is ActionKind.WIGGLE:
                soon = float(weights[(done_s[n] < t) & (t - done_s[n] < WIGGLE_S)].sum())
                found[k, n] += soon * float(findings.posterior.shows[k][reach.touched[n]].sum())
    total = found.sum(axis=1, keepdims=True)
    capped: Float64Array = found / np.maximum(total, 1.0)
    return capped


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Exposing:
    """What joins parts to those who fell, or takes them off: J of the actions, Q of the parts."""

    action: Int64Array
    """(J,) ascending."""
    part: Int64Array
    """(Q,) ascending."""
    exposes: BoolArray
    """(J, Q)"""
    removes: BoolArray
    """(J, Q)"""


def _exposing(reach: Reach, hit: BoolArray) -> _Exposing:
    exposes = reach.exposes(hit)
    removes, gone = np.zeros_like(exposes), reach.changes.lost().among(hit)
    removes[gone.action, gone.part] = True
    moves = exposes | removes
    action, part = np.flatnonzero(moves.any(axis=1)), np.flatnonzero(moves.any(axis=0))
    chosen = np.ix_(action, part)
    return _Exposing(action=action, part=part, exposes=exposes[chosen], removes=removes[chosen])


def _latest_exposing(exposes: BoolArray, removes: BoolArray, before: Float64Array) -> Float64Array:
    """(n, P) probability that the action was the last to expose the part before the incident, given that it showed.

    A part cannot have shown between its unplugging and its plugging, however the times were written.
    """
    share = np.zeros(exposes.shape)
    rest = np.ones(exposes.shape[1])
    moves = exposes | removes
    for n in np.flatnonzero(moves.any(axis=1))[::-1].tolist():
        exposed, moved = np.flatnonzero(exposes[n]), np.flatnonzero(moves[n])
        share[n, exposed] = before[n] * rest[exposed]
        rest[moved] *= 1.0 - before[n]
    total = share.sum(axis=0) + rest
    given: Float64Array = share / np.maximum(total, 1e-12)
    return given


def _was_there(waited_s: float, until_s: float) -> Float64Array:
    """(R,) probability that a fault was there when it was exposed, rather than begun by chance while it was.

    Only the first trouble of a record asks: a part that showed before is known to be bad.
    """
    stayed = 0.5 * np.exp(-RATES_HZ * waited_s)
    began = -np.expm1(-RATES_HZ * waited_s) / (RATES_HZ * max(until_s, 1.0))
    there: Float64Array = stayed / (stayed + began)
    return there


def _not_shown_since(findings: Findings, rows: Sequence[int], k: int, since_s: float, exposed: Int64Array) -> float:
    """Give the probability that nothing which an action exposed had shown between it and incident k."""
    fresh = 1.0
    for j in range(k):
        if findings.losses.t_s[rows[j]] > since_s:
            fresh *= 1.0 - min(float(findings.posterior.shows[j][exposed].sum()), 1.0)
    return fresh


def _because(
    k: int,
    onset_ns: int,
    actions: Sequence[Action],
    taken: Float64Array,
    prompt: Float64Array,
    *,
    expected: bool | None = None,
) -> Because:
    total = taken + prompt
    none = max(0.0, 1.0 - float(total.sum()))
    order = np.argsort(-total, kind="stable")
    best = int(order[0])
    weights = tuple((actions[int(m)].n, float(total[m])) for m in order if total[m] > 0.001)
    if none >= total[best]:
        return Because(
            incident=k, action=None, probability=0.0, spontaneous=none, lag_ns=None, expected=False, weights=weights
        )
    return Because(
        incident=k,
        action=actions[best].n,
        probability=float(total[best]),
        spontaneous=none,
        lag_ns=onset_ns - actions[best].time_ns,
        expected=bool(taken[best] >= prompt[best]) if expected is None else expected,
        weights=weights,
    )
