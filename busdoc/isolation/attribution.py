"""Which action did it: for every incident, the posterior over the recorded actions and 'none of them'.

Takes incidents, actions and the map. An action answers for an incident when it took the controllers' supply, bus or
connector away (the incident is then expected), or when it newly exposed a part that showed its fault promptly. What
showed long after exposure answers to no action, and an action that merely happened to be near must be able to lose.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.machine import Machine
from busdoc.arrays import BoolArray, Float64Array
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.isolation.because import Because
from busdoc.isolation.losses import Losses, gather_losses
from busdoc.isolation.press import OFFSET_PRIOR, OFFSETS_S, lateness_s, lateness_weights
from busdoc.isolation.reach import Reach, find_reach

__all__ = ["attribute", "attribute_incidents"]

_NS = 1e9
_HOLD_UP_S = 0.6
"""A controller that lost its supply lives on its capacitors for up to about this long (common practice)."""
_PROMPT_HZ = (0.2, 27.8)
"""Rates at which a fault shows within seconds of its exposure; slower ones do not answer to the action."""
_WIGGLE_S = 1.5
"""A bad contact that is moved shows within about this time."""
_EXTRA = 1e-3
"""Likelihood of each controller that fell and that the cause cannot reach."""
_SPARED = 0.2
"""Likelihood of each controller that the cause reaches and that did not fall in the same incident."""
_SHOWN = 0.1
"""Weight left to an action as the cause when what it exposed has shown already."""
_ROUNDS = 6


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
    span_s = max((health.until_ns - health.start_ns) / _NS, 1.0)
    return attribute_incidents(health.incidents, actions, machine, start_ns=health.start_ns, span_s=span_s)


def attribute_incidents(
    incidents: Sequence[Incident], actions: Sequence[Action], machine: Machine, *, start_ns: int, span_s: float
) -> tuple[Because, ...]:
    """Attribute incidents that were seen in `span_s` seconds from `start_ns` on."""
    ordered = sorted(actions, key=lambda a: (a.time_ns, a.n))
    named = [name for incident in incidents for name in incident.controllers]
    reach = find_reach(machine, ordered, named)
    losses = gather_losses(incidents, reach.controllers, start_ns)
    answers = _no_answers(len(incidents))
    if not ordered or not len(losses.t_s):
        return answers
    scores = _score(losses, reach, ordered, start_ns, mapped=bool(machine.parts or machine.controllers))
    direct, prompt, none = _weigh(scores, losses, span_s)
    found = list(answers)
    for row, k in enumerate(losses.incident):
        found[k] = _because(k, incidents[k], ordered, direct[row], prompt[row], float(none[row]))
    return tuple(found)


def _no_answers(n: int) -> tuple[Because, ...]:
    return tuple(
        Because(incident=k, action=None, probability=0.0, spontaneous=1.0, lag_ns=None, expected=False)
        for k in range(n)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scores:
    """Densities (1/s) for K incidents, n actions, D clock offsets."""

    direct: Float64Array
    """(K, n, D) of the action as what took the controllers away."""
    prompt: Float64Array
    """(K, n, D) of what the action exposed or moved, as showing promptly: times the part's weight."""
    matches: Float64Array
    """(K, P) how well the group that fell fits a fault of the part."""
    by: BoolArray
    """(K, n, P): the action was the latest to expose the part to one that fell."""
    moved: BoolArray
    """(n, P): wiggled."""


def _score(losses: Losses, reach: Reach, actions: Sequence[Action], start_ns: int, *, mapped: bool) -> _Scores:
    weights = lateness_weights()
    written_s = np.array([(a.time_ns - start_ns) / _NS for a in actions])
    true_s = written_s[:, None] - lateness_s(actions)  # (n, nodes)
    own_clock = np.array([a.origin is Origin.JOURNAL for a in actions])
    shift_s = np.where(own_clock[:, None], OFFSETS_S[None, :], 0.0)  # (n, D)
    at_s = true_s[:, :, None] - shift_s[:, None, :]  # (n, nodes, D)
    after_s = losses.t_s[:, None, None, None] - at_s[None]  # (K, n, nodes, D)
    in_time = (after_s > -0.15) & (after_s < _HOLD_UP_S)
    density = np.einsum("knud,u->knd", in_time / (_HOLD_UP_S + 0.15), weights)
    takes = reach.takes if mapped else reach.takes | _could_take(actions, len(reach.controllers))
    direct = density * _group_fit(losses, takes)[:, :, None]
    since_s = np.max(np.where(losses.hit, losses.since_s, 0.0), axis=1)
    waited_s = losses.t_s[:, None, None, None] - np.maximum(at_s[None], since_s[:, None, None, None])
    prompt = np.einsum("knud,u->knd", np.where(after_s > 0.0, _prompt_density(waited_s), 0.0), weights)
    wiggled = np.array([a.kind is ActionKind.WIGGLE for a in actions])
    shaken = np.einsum("knud,u->knd", ((after_s > 0.0) & (after_s < _WIGGLE_S)) / _WIGGLE_S, weights)
    prompt = np.where(wiggled[None, :, None], 0.5 * shaken, prompt)
    by = _latest_exposing(losses, reach, written_s)
    return _Scores(
        direct=direct,
        prompt=prompt,
        matches=_part_fit(losses, reach, written_s),
        by=by,
        moved=reach.touched & wiggled[:, None],
    )


def _could_take(actions: Sequence[Action], n_controllers: int) -> BoolArray:
    """Say what actions may take away when no map tells: a power action anybody, any other one nobody for sure."""
    power = np.array([a.kind in (ActionKind.POWER_OFF, ActionKind.POWER_CYCLE) for a in actions])
    return np.repeat(power[:, None], n_controllers, axis=1)


def _group_fit(losses: Losses, takes: BoolArray) -> Float64Array:
    """(K, n) likelihood of the group that fell, given what each action takes."""
    reached = takes[None, :, :] & losses.up[:, None, :]
    hit = losses.hit[:, None, :]
    extra = np.sum(hit & ~reached, axis=2)
    spared = np.sum(reached & ~hit, axis=2)
    any_hit = np.any(hit & reached, axis=2)
    fit: Float64Array = np.where(any_hit, _EXTRA**extra * np.maximum(_SPARED**spared, 1e-3), 0.0)
    return fit


def _part_fit(losses: Losses, reach: Reach, written_s: Float64Array) -> Float64Array:
    """(K, P) likelihood of the group that fell, given a fault of each part as the plugs then were."""
    stretch = np.searchsorted(written_s, losses.t_s + 2.0)  # presses come late: what was pressed just after counts
    reached = reach.reaches[stretch] & losses.up[:, None, :]
    hit = losses.hit[:, None, :]
    extra = np.sum(hit & ~reached, axis=2)
    spared = np.sum(reached & ~hit, axis=2)
    fit: Float64Array = np.where(np.any(hit & reached, axis=2), _EXTRA**extra * _SPARED**spared, 0.0)
    return fit


def _latest_exposing(losses: Losses, reach: Reach, written_s: Float64Array) -> BoolArray:
    """(K, n, P): the action exposed the part to one that fell, and no later one before the loss did so again."""
    exposes = np.einsum("npc,kc->knp", reach.exposes, losses.hit) > 0
    early = written_s[None, :] < losses.t_s[:, None] - 3.0
    superseded = np.zeros_like(exposes)
    later = np.zeros((exposes.shape[0], exposes.shape[2]), np.bool_)
    for n in range(exposes.shape[1] - 1, -1, -1):
        superseded[:, n] = later
        later |= exposes[:, n] & early[:, n][:, None]
    latest: BoolArray = exposes & ~superseded
    return latest


def _prompt_density(waited_s: Float64Array) -> Float64Array:
    """Density of the showing time of a fault whose rate is log-uniform over the prompt rates, 1/s."""
    low, high = _PROMPT_HZ
    u = np.maximum(waited_s, 1e-3)
    density: Float64Array = (np.exp(-low * u) - np.exp(-high * u)) / (u * np.log(high / low))
    return np.where(waited_s > 0.0, density, 0.0)


def _weigh(scores: _Scores, losses: Losses, span_s: float) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Find the background rate, the parts' weights and the clock offset that explain the record; give the posterior.

    Returns
    -------
    direct, prompt : (K, n) probability that the action took the controllers away, or exposed what showed
    none : (K,)
    """
    n_parts = scores.matches.shape[1]
    part = np.full(n_parts, 1.0 / max(n_parts, 1))
    unexplained = 1.0
    shown = np.ones(scores.by.shape[:2])
    direct = prompt = np.zeros(scores.by.shape[:2])
    none = np.ones(len(losses.t_s))
    for _ in range(_ROUNDS):
        rate = (0.3 + unexplained) / (span_s + 60.0)
        share = np.einsum("knp,kp,p->kn", scores.by | scores.moved[None], scores.matches, part) * shown
        exposed = scores.prompt * share[:, :, None]
        total = rate + scores.direct.sum(axis=1) + exposed.sum(axis=1)  # (K, D)
        offset = np.log(OFFSET_PRIOR) + np.log(total).sum(axis=0)
        offset = np.exp(offset - offset.max())
        offset /= offset.sum()
        direct = np.einsum("knd,kd,d->kn", scores.direct, 1.0 / total, offset)
        prompt = np.einsum("knd,kd,d->kn", exposed, 1.0 / total, offset)
        none = np.einsum("kd,d->k", rate / total, offset)
        unexplained = float(none.sum())
        parts_share = (scores.by | scores.moved[None]) * scores.matches[:, None, :] * part[None, None, :]
        norm = np.maximum(parts_share.sum(axis=2, keepdims=True), 1e-300)
        answered = np.einsum("knp,kn->p", parts_share / norm, prompt)
        part = (0.5 / max(n_parts, 1) + answered) / (0.5 + answered.sum())
        already = np.einsum("jn,jk->kn", prompt, np.tril(np.ones((len(none), len(none))), -1).T)
        shown = np.where(already > 0.5, _SHOWN, 1.0)
    return direct, prompt, none


def _because(
    k: int, incident: Incident, actions: Sequence[Action], direct: Float64Array, prompt: Float64Array, none: float
) -> Because:
    total = direct + prompt
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
        lag_ns=incident.onset_ns - actions[best].time_ns,
        expected=bool(direct.sum() > prompt.sum() and direct[best] >= prompt[best]),
        weights=weights,
    )
