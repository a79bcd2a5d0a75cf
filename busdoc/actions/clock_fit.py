"""How well a journal fits the traffic, were its clock so far off: a likelihood for each shift.

What was plugged and switched decides when a faulty part can show, who falls with the power, and when who is held down
may come back. So the pattern of all presses is held against that of all losses and returns, for one faulty part after
the other, with a few rates each. Takes actions and incidents; knows nothing of suspects, and keeps nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import REMARKS, Action, ActionKind, Origin
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.arrays import Float64Array, Int64Array
from busdoc.health.incident import Incident
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["ClockFit", "Takes", "fit_clock"]

Takes = tuple[Action, frozenset[int]]
"""An action that takes controllers away at once, and the numbers of the incidents that it may have made."""

_RATES_HZ = (1.0, 0.2, 0.05, 1 / 60, 1 / 240)
"""At which a faulty part may show while it is in: from at once to four minutes (common practice)."""
_OTHER_HZ = (0.01, 0.0025, 0.0005)
"""At which trouble comes that no plug explains (common practice)."""
_FROM_S, _TO_S = -1.6, 0.6
"""The hand moved within this of the written time, for each second that the journal is uncertain by (common practice:
half a second late)."""
_OTHERS_TOO = 0.1
"""What fell with others is a tenth as likely a part's that reaches one of them (common practice)."""
_ALONE, _AS_ONE = 0.3, 0.03
"""Share of that trouble which one controller makes by itself, and which looks just like a switch (common practice)."""
_FEW = 2
"""Controllers that may well fall together by chance."""
_NOT_SHOWN = 0.1
"""Chance that switching off leaves no trace (common practice: a wrong press, or who was off already)."""
_FREE_S = 15.0
"""A loss that ends by itself ends within about so long."""
_HELD = 0.95
"""Of those who are held down, as many come back by what lets them go."""
_START_S = (0.3, 6.5)
"""A controller starts within this (common practice: one to ten seconds, mostly below six)."""
_STUCK_S = 9.0
_STAYS = 0.15
"""Chance that who is let go is not back by then."""
_UNTOUCHED = 0.2
"""Prior odds that no part that was moved is at fault."""
_SURE = 0.95
_ZERO_S = 3.0
"""A clock that is off by less is left as it is: presses are no better."""
_RIGHT_S = 1.25
"""One that is set is off by less (common practice)."""
_CELL_S = 0.5
_WRONG = 0.1
"""Prior probability that a clock is off: log-uniform from a second to a day (common practice)."""
_ZONE = 0.03
"""Of those: by whole half hours, as zones lie (IANA time zone database)."""
_HALF_HOUR_S, _DAY_S = 1800.0, 86_400.0
_NEAR_ZONE_S = 4.0
_MOST_SHIFTS = 1200
"""Shifts that are tried, those first that bring most presses near what happened (bound on work)."""
_MOST_CLOSE = 12
"""Of those, as many are looked at closely (bound on work)."""
_MOST_PAIRS = 20_000
"""Presses times incidents: of more nothing is looked for (bound on work)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """What the pattern of presses says of the clock."""

    right: float
    """Probability that the clock is right."""
    offset_ns: int | None
    """How far the journal runs ahead; None: not surely one shift."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moves:
    """When a part is joined to a controller: at first, and from each press on."""

    at: tuple[int, ...]
    """Numbers of the presses that join it or take it off, in turn."""
    joined: bool
    """At first."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Story:
    """Presses and incidents on one clock, s since the record began."""

    pressed_s: Float64Array
    """(A,)"""
    uncertain_s: Float64Array
    """(A,) but never below one second."""
    lost_s: Float64Array
    """(K,)"""
    back_s: Float64Array
    """(K,) NaN: never."""
    who: tuple[frozenset[str], ...]
    """(K,)"""
    up_s: Mapping[str, Float64Array]
    """By controller that ever fell, (n, 2) from when to when it was there."""
    span_s: float
    moves: Mapping[str, Mapping[str, _Moves]]
    """By part that was moved, and controller that ever fell."""
    takes: tuple[tuple[int, tuple[int, ...]], ...]
    """(press, incidents that it may have made)"""
    powers: tuple[int, ...]
    """Presses that bring power."""


def fit_clock(
    machine: Machine,
    actions: Sequence[Action],
    falls: Sequence[Incident],
    takes: Sequence[Takes],
    start_ns: int,
    until_ns: int,
) -> ClockFit:
    """Weigh all shifts of the journal's clock against none.

    Parameters
    ----------
    machine : the map, possibly empty
    actions : of the journal, ascending by time
    falls : losses of controllers
    takes : of `actions`, those that take controllers away at once, with which of `falls` look like it
    start_ns, until_ns : what was watched
    """
    done = [one for one in actions if one.kind not in REMARKS and one.origin is Origin.JOURNAL]
    if not done or not falls or len(done) * len(falls) > _MOST_PAIRS:
        return ClockFit(right=1.0, offset_ns=None)
    story = _story(machine, done, falls, takes, start_ns, until_ns)
    shifts_s = _candidates(story)
    log_l = _log_likelihood(story, np.append(shifts_s, 1e3 * _DAY_S))  # the last: a clock that fits nothing
    log_w = log_l + np.append(_log_prior(shifts_s), np.log(_WRONG))
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    right = float(weight[:-1][np.abs(shifts_s) < _ZERO_S].sum())
    best_s = float(shifts_s[int(np.argmax(weight[:-1]))])
    near = np.abs(shifts_s - best_s) < _ZERO_S
    if abs(best_s) < _ZERO_S or float(weight[:-1][near].sum()) < _SURE:
        return ClockFit(right=right, offset_ns=None)
    mean_s = float(np.average(shifts_s[near], weights=weight[:-1][near]))
    return ClockFit(right=right, offset_ns=round(mean_s * SECOND_NS))


def _story(
    machine: Machine,
    done: Sequence[Action],
    falls: Sequence[Incident],
    takes: Sequence[Takes],
    start_ns: int,
    until_ns: int,
) -> _Story:
    number = {id(one): k for k, one in enumerate(done)}
    span_s = max((until_ns - start_ns) / SECOND_NS, 1.0)
    away: dict[str, list[tuple[float, float]]] = {}
    for incident in falls:
        for loss in incident.losses:
            back_s = span_s if loss.back_ns is None else (loss.back_ns - start_ns) / SECOND_NS
            away.setdefault(loss.controller, []).append(((loss.last_seen_ns - start_ns) / SECOND_NS, back_s))
    return _Story(
        pressed_s=np.array([(one.time_ns - start_ns) / SECOND_NS for one in done]),
        uncertain_s=np.array([max(one.uncertainty_ns / SECOND_NS, 1.0) for one in done]),
        lost_s=np.array([(one.last_seen_ns - start_ns) / SECOND_NS for one in falls]),
        back_s=np.array([np.nan if one.back_ns is None else (one.back_ns - start_ns) / SECOND_NS for one in falls]),
        who=tuple(frozenset(one.controllers) for one in falls),
        up_s={name: _up_s(spans, span_s) for name, spans in away.items()},
        span_s=span_s,
        moves=_moves(machine, done, tuple(away)),
        takes=tuple((number[id(one)], tuple(sorted(which))) for one, which in takes if id(one) in number),
        powers=tuple(k for k, one in enumerate(done) if one.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)),
    )


def _up_s(away: Sequence[tuple[float, float]], span_s: float) -> Float64Array:
    """(n, 2) the times between the absences."""
    up: list[tuple[float, float]] = []
    since_s = 0.0
    for lost_s, back_s in sorted(away):
        if lost_s > since_s:
            up.append((since_s, lost_s))
        since_s = max(since_s, back_s)
    if since_s < span_s:
        up.append((since_s, span_s))
    return np.array(up).reshape(-1, 2)


def _moves(machine: Machine, done: Sequence[Action], names: Sequence[str]) -> dict[str, dict[str, _Moves]]:
    """By part and controller, when it is joined; only of parts that were moved, until a new one is in."""
    states: list[PlugState] = [opening_state(machine, done)]
    for action in done:
        states.append(states[-1].after(action))
    found: dict[str, dict[str, _Moves]] = {}
    for name in names:
        reach = [state.exposed(name) for state in states]
        for part in sorted(frozenset().union(*reach)):
            at: list[int] = []
            joined = part in reach[0]
            for k, action in enumerate(done):
                if action.kind is ActionKind.REPLACE and action.part == part:
                    at += [k] if joined else []
                    break
                if (part in reach[k + 1]) != joined:
                    joined = not joined
                    at.append(k)
            found.setdefault(part, {})[name] = _Moves(at=tuple(at), joined=part in reach[0])
    return {part: by_name for part, by_name in found.items() if any(one.at for one in by_name.values())}


def _candidates(story: _Story) -> Float64Array:
    """(N,) shifts worth a close look, and none; multiples of `_CELL_S`, ascending.

    Of all that bring a press to a loss or a return, rounded to a second, the likeliest with what lies beside them.
    """
    happened_s = np.concatenate((story.lost_s, story.back_s[np.isfinite(story.back_s)]))
    coarse, count = np.unique(
        np.round(story.pressed_s[:, None] - happened_s[None, :]).ravel().astype(np.int64), return_counts=True
    )
    coarse = coarse[np.argsort(-count, kind="stable")[:_MOST_SHIFTS]]
    log_w = _log_likelihood(story, coarse.astype(np.float64)) + _log_prior(coarse.astype(np.float64))
    best = coarse[np.argsort(-log_w, kind="stable")[:_MOST_CLOSE]]
    per_s, around = round(1.0 / _CELL_S), round(_ZERO_S / _CELL_S)
    cells = (per_s * np.append(best, 0))[:, None] + np.arange(-around, around + 1)[None, :]
    shifts_s: Float64Array = (np.unique(cells) * _CELL_S).astype(np.float64)
    return shifts_s


def _log_prior(shifts_s: Float64Array) -> Float64Array:
    """Of each cell of shifts."""
    off_s = np.abs(shifts_s)
    cells_of_right = 2 * int(_RIGHT_S / _CELL_S) + 1
    any_s = _WRONG * _CELL_S / (2.0 * np.log(_DAY_S) * np.maximum(off_s, 1.0))
    to_zone_s = np.abs(off_s - np.round(off_s / _HALF_HOUR_S) * _HALF_HOUR_S)
    at_zone = (off_s > _HALF_HOUR_S / 2) & (off_s < _DAY_S) & (to_zone_s < _NEAR_ZONE_S)
    zones = _ZONE * _CELL_S / (2.0 * _NEAR_ZONE_S) / (2.0 * _DAY_S / _HALF_HOUR_S)
    prior = np.where(off_s < _RIGHT_S, (1.0 - _WRONG) / cells_of_right, any_s + at_zone * zones)
    log_prior: Float64Array = np.log(prior)
    return log_prior


def _log_likelihood(story: _Story, shifts_s: Float64Array) -> Float64Array:
    """(N,) of all losses and returns, were the journal so far ahead: the mean over parts and rates."""
    at_s = story.pressed_s[None, :] - shifts_s[:, None]  # (N, A) on the recording's clock
    by_hand, log_unshown = _taken(story, at_s)
    like_a_switch = {k for _, which in story.takes for k in which if len(story.who[k]) > _FEW}
    by_itself = np.array([_AS_ONE if k in like_a_switch else _ALONE for k in range(len(story.who))])
    weighed: list[Float64Array] = []
    for part in (None, *story.moves):
        share, exposed_s = _exposure(story, at_s, part)
        log_back = _log_returns(story, at_s, part)
        log_prior = np.log(_UNTOUCHED if part is None else (1.0 - _UNTOUCHED) / len(story.moves))
        for rate_hz in _RATES_HZ:
            for other_hz in _OTHER_HZ:
                hazard = by_hand + rate_hz * share + other_hz * by_itself
                log_l = np.log(hazard).sum(axis=1) - rate_hz * exposed_s - other_hz * story.span_s
                weighed.append(log_l + log_back + log_prior)
    log_all: Float64Array = np.asarray(np.logaddexp.reduce(np.array(weighed), axis=0) + log_unshown, np.float64)
    return log_all


def _taken(story: _Story, at_s: Float64Array) -> tuple[Float64Array, Float64Array]:
    """(N, K) density of each loss as the answer to a switch or a plug; (N,) log chance of those that took nobody."""
    density = np.zeros((len(at_s), len(story.lost_s)))
    log_unshown = np.zeros(len(at_s))
    for press, which in story.takes:
        wide = story.uncertain_s[press]
        shown = np.zeros(len(at_s), np.bool_)
        for k in which:
            late_s = (at_s[:, press] - story.lost_s[k]) / wide
            near = np.where((late_s > -1.0) & (late_s < 3.5), np.where(late_s < 1.5, 0.4, 0.1), 0.0) / wide
            density[:, k] = np.maximum(density[:, k], near)
            shown |= near > 0.0
        within = (at_s[:, press] > 3.0) & (at_s[:, press] < story.span_s - 3.0)
        log_unshown += np.where(within & ~shown, np.log(_NOT_SHOWN), 0.0)
    return density, log_unshown


def _exposure(story: _Story, at_s: Float64Array, part: str | None) -> tuple[Float64Array, Float64Array]:
    """(N, K) how far a part was joined to whom fell, at each loss; (N,) for how long to any who was there, s.

    None: to everybody, always.
    """
    n = len(at_s)
    share, exposed_s = np.zeros((n, len(story.lost_s))), np.zeros(n)
    for name, up_s in story.up_s.items():
        moves = _Moves(at=(), joined=True) if part is None else story.moves[part].get(name)
        if moves is None:
            continue
        rows = np.array([k for k, who in enumerate(story.who) if name in who], np.int64)
        alone = np.array([1.0 if len(story.who[k]) == 1 else _OTHERS_TOO for k in rows])
        joined = _joined(story, at_s, moves, story.lost_s[rows])
        share[:, rows] = np.maximum(share[:, rows], joined * alone)
        exposed_s += _joined_s(story, at_s, moves, up_s)
    return share, exposed_s


def _edges(story: _Story, at_s: Float64Array, moves: _Moves) -> list[tuple[Float64Array, float, float]]:
    """When each press begins to hold, (N, 1), over how long it does so, and whether it joins or takes off."""
    edges = []
    sign = -1.0 if moves.joined else 1.0
    for press in moves.at:
        wide = float(story.uncertain_s[press])
        edges.append((at_s[:, press, None] + _FROM_S * wide, (_TO_S - _FROM_S) * wide, sign))
        sign = -sign
    return edges


def _joined(story: _Story, at_s: Float64Array, moves: _Moves, times_s: Float64Array) -> Float64Array:
    """(N, M) how far it is joined at each time, while presses are a second or two late."""
    joined = np.full((len(at_s), len(times_s)), float(moves.joined))
    for from_s, takes_s, sign in _edges(story, at_s, moves):
        joined += sign * np.clip((times_s[None, :] - from_s) / takes_s, 0.0, 1.0)
    held: Float64Array = np.clip(joined, 0.0, 1.0)
    return held


def _joined_s(story: _Story, at_s: Float64Array, moves: _Moves, spans_s: Float64Array) -> Float64Array:
    """(N,) for how long it is joined within spans, s."""
    total = np.full(len(at_s), float(moves.joined) * float((spans_s[:, 1] - spans_s[:, 0]).sum()))
    for from_s, takes_s, sign in _edges(story, at_s, moves):
        since_s = np.maximum(spans_s.T[:, None, :] - from_s[None], 0.0)  # (2, N, spans)
        held_s = np.where(since_s < takes_s, since_s**2 / (2.0 * takes_s), since_s - takes_s / 2.0)
        total += sign * (held_s[1] - held_s[0]).sum(axis=1)
    joined_s: Float64Array = np.maximum(total, 0.0)
    return joined_s


def _log_returns(story: _Story, at_s: Float64Array, part: str | None) -> Float64Array:
    """(N,) of how the losses ended: by themselves, by the power alone, or also as the part was taken off."""
    free = sum(-np.log(_FREE_S) if np.isfinite(back_s) else np.log(_STAYS) for back_s in story.back_s)
    ways = [np.full(len(at_s), float(free))]
    for by_part in (False, True):
        log_l = np.zeros(len(at_s))
        for k, back_s in enumerate(story.back_s):
            lets_go = np.array([*story.powers, *(_unplugs(story, part, k) if by_part else ())], np.int64)
            log_l += _log_return(at_s, lets_go, float(story.lost_s[k]), float(back_s), story.span_s)
        ways.append(log_l)
    log_all: Float64Array = np.asarray(np.logaddexp.reduce(np.array(ways), axis=0) - np.log(len(ways)), np.float64)
    return log_all


def _unplugs(story: _Story, part: str | None, k: int) -> tuple[int, ...]:
    """Name the presses that take a part off one of those who fell."""
    if part is None:
        return ()
    moves = [story.moves[part][name] for name in story.who[k] if name in story.moves[part]]
    return tuple(press for one in moves for press in one.at[not one.joined :: 2])


def _log_return(at_s: Float64Array, lets_go: Int64Array, lost_s: float, back_s: float, span_s: float) -> Float64Array:
    """(N,) of one return, were it held down until one of these presses."""
    seldom = (1.0 - _HELD) / 100.0
    if not len(lets_go):
        return np.full(len(at_s), np.log(seldom) if np.isfinite(back_s) else 0.0)
    free_s = at_s[:, lets_go] + (_FROM_S + _TO_S) / 2.0
    later = free_s > lost_s - 1.0
    to_s = back_s if np.isfinite(back_s) else span_s
    log_l = np.log(_STAYS) * (later & (to_s - free_s > _STUCK_S)).sum(axis=1)
    if np.isfinite(back_s):
        took_s = back_s - free_s
        starts = later & (took_s > _START_S[0]) & (took_s < _START_S[1])
        log_l = log_l + np.log(_HELD * starts.any(axis=1) / (_START_S[1] - _START_S[0]) + seldom)
    found: Float64Array = log_l
    return found
