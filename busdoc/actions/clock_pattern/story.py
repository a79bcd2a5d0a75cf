"""A journal and what fell, on one clock: what a shift of the journal is weighed by.

Takes the map, actions and incidents; gives arrays of seconds since the record began. Nothing here knows of shifts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.clock_pattern.undone import Stay, stays_of
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.arrays import Float64Array
from busdoc.health.incident import Incident
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["Absence", "Moves", "Story", "Takes", "story_of"]

Takes = tuple[Action, frozenset[int]]
"""An action that takes controllers away at once, and the numbers of the incidents that it may have made."""
_SILENT_S = 3.0
"""Who is first heard so long after the record began was away until then (common practice: a second does)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moves:
    """When a part is joined to a controller: at first, and from each press on."""

    at: tuple[int, ...]
    """Numbers of the presses that join it or take it off, in turn."""
    joined: bool
    """At first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence:
    """Who was away, from when, until when."""

    who: frozenset[str]
    lost_s: float
    """0 of who was away as the record began."""
    back_s: float
    """NaN: never."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Story:
    """Presses and incidents on one clock, s since the record began."""

    pressed_s: Float64Array
    """(A,)"""
    uncertain_s: Float64Array
    """(A,) but never below one second."""
    lost_s: Float64Array
    """(K,)"""
    who: tuple[frozenset[str], ...]
    """(K,)"""
    first: int
    """The loss with which the trouble begins: the first of one controller alone, else the first."""
    away: tuple[Absence, ...]
    """The incidents, and before them who was away as the record began."""
    up_s: Mapping[str, Float64Array]
    """By controller that was ever away, (n, 2) from when to when it was there."""
    span_s: float
    moves: Mapping[str, Mapping[str, Moves]]
    """By part that was moved, and controller that was ever away."""
    takes: tuple[tuple[int, tuple[int, ...]], ...]
    """(press, incidents that it may have made)"""
    powers: tuple[int, ...]
    """Presses that bring power."""
    stays: tuple[Stay, ...]
    fell_s: Mapping[str, Float64Array]
    """By part that was plugged in, when who hangs on it fell, ascending."""


def story_of(
    machine: Machine,
    done: Sequence[Action],
    falls: Sequence[Incident],
    takes: Sequence[Takes],
    first_heard_ns: Mapping[str, int],
    watched_ns: tuple[int, int],
) -> Story:
    """Put presses and incidents on one clock.

    Parameters
    ----------
    machine : the map, possibly empty
    done : what was done, by the journal, ascending by time
    falls : losses of controllers
    takes : of `done`, those that take controllers away at once, with which of `falls` look like it
    first_heard_ns : of the controllers that were heard at all
    watched_ns : since when, and until when, the bus was watched
    """
    start_ns, until_ns = watched_ns
    number = {id(one): k for k, one in enumerate(done)}
    span_s = max((until_ns - start_ns) / SECOND_NS, 1.0)
    lost_s = np.array([(one.last_seen_ns - start_ns) / SECOND_NS for one in falls])
    who = tuple(frozenset(one.controllers) for one in falls)
    late_s = {name: (at_ns - start_ns) / SECOND_NS for name, at_ns in first_heard_ns.items()}
    at_first = tuple(
        Absence(who=frozenset({name}), lost_s=0.0, back_s=back_s)
        for name, back_s in late_s.items()
        if back_s > _SILENT_S
    )
    away: dict[str, list[tuple[float, float]]] = {name: [(0.0, one.back_s)] for one in at_first for name in one.who}
    for incident in falls:
        for loss in incident.losses:
            back_s = span_s if loss.back_ns is None else (loss.back_ns - start_ns) / SECOND_NS
            away.setdefault(loss.controller, []).append(((loss.last_seen_ns - start_ns) / SECOND_NS, back_s))
    moves = _moves(machine, done, tuple(away))
    stays = stays_of(done)
    return Story(
        pressed_s=np.array([(one.time_ns - start_ns) / SECOND_NS for one in done]),
        uncertain_s=np.array([max(one.uncertainty_ns / SECOND_NS, 1.0) for one in done]),
        lost_s=lost_s,
        who=who,
        first=min(range(len(who)), key=lambda k: (len(who[k]) > 1, lost_s[k])),
        away=(
            *at_first,
            *(
                Absence(
                    who=names,
                    lost_s=float(at_s),
                    back_s=np.nan if one.back_ns is None else (one.back_ns - start_ns) / SECOND_NS,
                )
                for one, names, at_s in zip(falls, who, lost_s, strict=True)
            ),
        ),
        up_s={name: _up_s(spans, span_s) for name, spans in away.items()},
        span_s=span_s,
        moves=moves,
        takes=tuple((number[id(one)], tuple(sorted(which))) for one, which in takes if id(one) in number),
        powers=tuple(k for k, one in enumerate(done) if one.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)),
        stays=stays,
        fell_s={
            part: np.sort(lost_s[[not names.isdisjoint(moves[part]) for names in who]])
            for part in dict.fromkeys(stay.part for stay in stays)
            if part in moves
        },
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


def _moves(machine: Machine, done: Sequence[Action], names: Sequence[str]) -> dict[str, dict[str, Moves]]:
    """By part and controller, when it is joined; only of parts that were moved, until a new one is in."""
    states: list[PlugState] = [opening_state(machine, done)]
    for action in done:
        states.append(states[-1].after(action))
    found: dict[str, dict[str, Moves]] = {}
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
            found.setdefault(part, {})[name] = Moves(at=tuple(at), joined=part in reach[0])
    return {part: by_name for part, by_name in found.items() if any(one.at for one in by_name.values())}
