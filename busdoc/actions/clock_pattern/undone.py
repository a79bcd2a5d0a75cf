"""What was plugged in and taken off again: people do that once they saw somebody fall, and leave what stays quiet.

So which plugs were undone, held against the losses, tells of the journal's clock. Some people heed what they see and
some plug about, so both are weighed over a whole journal. Takes times; knows nothing of suspects, and keeps nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import BoolArray, Float64Array

__all__ = ["Stay", "log_undone", "stays_of"]

_PLUGS = (ActionKind.PLUG,)
_OFF = (ActionKind.UNPLUG, ActionKind.REPLACE, ActionKind.SWAP)

_EARLY_S, _LATE_S = 1.6, 0.5
"""The hand moved so long before the written time, or after it, for each second that it is uncertain by (common
practice: presses come half a second late)."""
_REACTS_S = 8.0
"""Who takes off what made somebody fall does so within so long (common practice: seconds)."""
_AT_ONCE = 0.8
"""Of those who do, as many do it then; others finish what they are at (common practice)."""
_STAY_S = (8.0, 120.0)
"""For so long a part is left in, as a rule, that makes nobody fall (common practice)."""
_SEEN, _UNSEEN = 0.85, 0.15
"""Chance that a plug is undone by who heeds losses, after one and without (common practice)."""
_ANYHOW = 0.35
"""Chance that a plug is undone by who does not heed them, or where none can be seen (common practice)."""
_HEEDS = 0.6
"""Prior share of journals whose writer heeds losses (common practice: fault finding goes by what is seen)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """A part, or several one after the other, from where it was plugged in to what was done next."""

    part: str
    """The first."""
    plugged: int
    last: int
    next: int
    """Numbers of the presses: of the first plug, of the last one, and of what was done next."""
    undone: bool
    """What was done next takes off again what was plugged in."""


def stays_of(done: Sequence[Action]) -> tuple[Stay, ...]:
    """Give every plug that something was done after; those that are taken off again together as one.

    Parameters
    ----------
    done : what was done, ascending by time, without remarks
    """
    found: list[Stay] = []
    at = 0
    while at < len(done):
        until = _run(done, at, _PLUGS)
        if until == at:
            at += 1
            continue
        off = {action.part for action in done[until : _run(done, until, _OFF)]}
        first = until  # of those at the end of the run that are all taken off again
        while first > at and done[first - 1].part in off:
            first -= 1
        found += [_stay(done, k, k, undone=False) for k in range(at, first) if k + 1 < len(done)]
        if first < until < len(done):
            found.append(_stay(done, first, until - 1, undone=True))
        at = until
    return tuple(found)


def _run(done: Sequence[Action], at: int, kinds: Sequence[ActionKind]) -> int:
    """Give where a run of such actions ends."""
    while at < len(done) and done[at].kind in kinds and done[at].part is not None:
        at += 1
    return at


def _stay(done: Sequence[Action], first: int, last: int, *, undone: bool) -> Stay:
    return Stay(part=done[first].part or "", plugged=first, last=last, next=last + 1, undone=undone)


def log_undone(
    stays: Sequence[Stay],
    at_s: Float64Array,
    uncertain_s: Float64Array,
    lost_s: Mapping[str, Float64Array],
    span_s: float,
) -> Float64Array:
    """Give the log probability that just these plugs were undone.

    Parameters
    ----------
    stays : of the journal
    at_s : (N, A) when each press was, on each of N clocks, s since the record began
    uncertain_s : (A,) by how much each may be off, s
    lost_s : by part, when who hangs on it fell, ascending, s; of no other part anything shows
    span_s : for how long it was watched

    Returns
    -------
    (N,)
    """
    heeds = np.full(len(at_s), np.log(_HEEDS))
    heedless = np.full(len(at_s), np.log(1.0 - _HEEDS))
    kept_s = [float(at_s[0, stay.next] - at_s[0, stay.plugged]) for stay in stays if not stay.undone]
    # That it is undone just after somebody fell is no chance where others were left in for a minute.
    usual_s = float(np.clip(np.median(kept_s), *_STAY_S)) if kept_s else _STAY_S[0]
    just_then = _AT_ONCE * usual_s / _REACTS_S + 1.0 - _AT_ONCE
    for stay in stays:
        anyhow = _ANYHOW if stay.undone else 1.0 - _ANYHOW
        heedless += np.log(anyhow)
        times_s = lost_s.get(stay.part)
        if times_s is None:
            heeds += np.log(anyhow)
            continue
        from_s = at_s[:, stay.plugged] - _EARLY_S * uncertain_s[stay.plugged]
        to_s = at_s[:, stay.next] + _LATE_S * uncertain_s[stay.next]
        seen = _fell_last(times_s, from_s, at_s[:, stay.last], to_s)
        chance = np.where(seen, _SEEN * (just_then if stay.undone else 1.0), _UNSEEN)
        watched = (from_s > 0.0) & (to_s < span_s)
        heeds += np.log(np.where(watched, chance if stay.undone else 1.0 - chance, anyhow))
    log_p: Float64Array = np.logaddexp(heeds, heedless)
    return log_p


def _fell_last(times_s: Float64Array, from_s: Float64Array, last_s: Float64Array, to_s: Float64Array) -> BoolArray:
    """(N,) whether somebody fell in each stay, shortly before its end, or before the last plug was in."""
    if not len(times_s):
        return np.zeros(len(from_s), np.bool_)
    k = np.searchsorted(times_s, to_s, side="right") - 1
    fell_s = times_s[np.maximum(k, 0)]
    return np.asarray((k >= 0) & (fell_s >= from_s) & (np.maximum(fell_s, last_s) >= to_s - _REACTS_S))
