"""The likelihood of all losses and returns, and of what was undone after them, for each shift of a journal's clock.

What was plugged and switched decides when a faulty part can show, who falls with the power, and when who is held down
may come back. So the pattern of all presses is held against that of all losses and returns, for one faulty part after
the other and for two at once, with a few rates each. A look from afar is cheap and takes one part at a time; a close
one also asks whether a controller takes equally long for each of its starts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from busdoc.actions.clock_pattern.story import Absence, Moves, Story
from busdoc.actions.clock_pattern.undone import log_undone
from busdoc.arrays import BoolArray, Float64Array

__all__ = ["log_likelihood"]

_RATES_HZ = (1.0, 0.2, 0.05, 1 / 60, 1 / 240)
"""At which a faulty part may show while it is in: from at once to four minutes (common practice)."""
_PAIRED_HZ = (1.0, 0.05)
"""The same where two are at fault (common practice: one at once, one now and then)."""
_OTHER_HZ = (0.01, 0.0025, 0.0005)
"""At which trouble comes that no plug explains (common practice)."""
_TWO = 0.15
"""Prior share of two parts at fault among those that were moved (common practice: about one trouble in seven)."""
_MOST_PAIRED = 8
"""Parts of which two are tried together, those first that fit best by themselves (bound on work)."""
_FROM_S, _TO_S = -1.6, 0.6
"""The hand moved within this of the written time, for each second that the journal is uncertain by (common practice:
half a second late)."""
_BEFORE = 0.5
"""That a fault was there before the record began, and did not begin with the first trouble (by not knowing)."""
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
_STARTS_S = np.arange(0.5, _START_S[1], 0.5)
"""The starts that are tried, of a controller whose starts all take as long."""
_LOG_STARTS = -0.5 * (np.log(_STARTS_S / 2.7) / 0.5) ** 2 - np.log(_STARTS_S)
_LOG_STARTS -= np.logaddexp.reduce(_LOG_STARTS)
"""Their prior: log-normal, of median 2.7 s and spread 0.5 (common practice: one to seven seconds)."""
_SAME_START_S = 0.7
"""Standard deviation of its starts, as they are written down (common practice: a start takes its time to a few
hundredths, presses come half a second late)."""
_ODD_START = 0.2
"""Share of its starts that take another time, or are written down late (common practice)."""
_STUCK_S = 9.0
_STAYS = 0.15
"""Chance that who is let go is not back by then."""
_UNTOUCHED = 0.2
"""Prior odds that no part that was moved is at fault."""


def log_likelihood(story: Story, shifts_s: Float64Array, *, closely: bool) -> Float64Array:
    """(N,) of all losses and returns, were the journal so far ahead: the mean over parts and rates.

    Parameters
    ----------
    shifts_s : (N,)
    closely : also with two parts at fault, and with starts that take equally long
    """
    at_s = story.pressed_s[None, :] - shifts_s[:, None]  # (N, A) on the recording's clock
    by_hand, log_unshown = _taken(story, at_s)
    like_a_switch = {k for _, which in story.takes for k in which if len(story.who[k]) > _FEW}
    by_itself = np.array([_AS_ONE if k in like_a_switch else _ALONE for k in range(len(story.who))])
    base = _Base(story=story, at_s=at_s, by_hand=by_hand, by_itself=by_itself, closely=closely)
    two = _TWO if closely and len(story.moves) > 1 else 0.0
    of_part = {part: base.of_parts((part,), _RATES_HZ) for part in story.moves}
    each = np.log((1.0 - _UNTOUCHED) * (1.0 - two) / max(len(of_part), 1))
    summed = [base.of_nothing() + np.log(_UNTOUCHED), *(one + each for one in of_part.values())]
    if two:
        best = sorted(of_part, key=lambda part: -float(of_part[part].max()))
        pairs = list(combinations(best[:_MOST_PAIRED], 2))
        summed += [base.of_parts(pair, _PAIRED_HZ) + np.log((1.0 - _UNTOUCHED) * two / len(pairs)) for pair in pairs]
    undone = log_undone(story.stays, at_s, story.uncertain_s, story.fell_s, story.span_s)
    log_all: Float64Array = np.asarray(np.logaddexp.reduce(np.array(summed), axis=0) + log_unshown + undone, np.float64)
    return log_all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Base:
    """What all sets of parts share."""

    story: Story
    at_s: Float64Array
    by_hand: Float64Array
    by_itself: Float64Array
    closely: bool

    def of_nothing(self) -> Float64Array:
        """(N,) were trouble of one steady rate behind all of it, whatever is plugged in."""
        return self._of([_exposure(self.story, self.at_s, None)], _RATES_HZ, self._ended(()))

    def of_parts(self, parts: tuple[str, ...], rates_hz: Sequence[float]) -> Float64Array:
        """(N,) were these at fault, each with a rate of its own: the sum over the rates."""
        return self._of([_exposure(self.story, self.at_s, part) for part in parts], rates_hz, self._ended(parts))

    def _ended(self, parts: tuple[str, ...]) -> Float64Array:
        return _log_returns(self.story, self.at_s, parts, closely=self.closely)

    def _of(self, exposures: Sequence["_Exposure"], rates_hz: Sequence[float], log_back: Float64Array) -> Float64Array:
        """(N,) of the losses, with each rate, had the fault been there before the record began, or begun within."""
        first = self.story.first
        weighed: list[Float64Array] = []
        for rates in product(rates_hz, repeat=len(exposures)):
            pairs = list(zip(rates, exposures, strict=True))
            hazard_hz = sum(rate * one.share for rate, one in pairs)
            whole = sum(rate * one.whole_s for rate, one in pairs)
            since = sum(rate * one.since_s for rate, one in pairs)
            for other_hz in _OTHER_HZ:
                log_hazard = np.log(self.by_hand + hazard_hz + other_hz * self.by_itself)
                log_l = log_hazard.sum(axis=1) - other_hz * self.story.span_s
                before = log_l - whole
                if self.closely:
                    begun = log_l - log_hazard[:, first] - np.log(self.story.span_s) - since
                    before = np.logaddexp(before + np.log(_BEFORE), begun + np.log(1.0 - _BEFORE))
                weighed.append(before)
        n_each = len(rates_hz) ** (len(exposures) - 1)  # of two rates or of one: no set counts for more
        found: Float64Array = np.logaddexp.reduce(np.array(weighed), axis=0) + log_back - np.log(n_each)
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Exposure:
    """How a part was joined to whom fell."""

    share: Float64Array
    """(N, K) how far, at each loss."""
    whole_s: Float64Array
    """(N,) for how long, to any who was there, s."""
    since_s: Float64Array
    """(N,) the same since the first trouble."""


def _taken(story: Story, at_s: Float64Array) -> tuple[Float64Array, Float64Array]:
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
        for one in story.away:  # of many who are silent already, switching off leaves no trace
            until_s = one.back_s if np.isfinite(one.back_s) else story.span_s
            if len(one.who) > _FEW:
                within &= (at_s[:, press] < one.lost_s) | (at_s[:, press] > until_s)
        log_unshown += np.where(within & ~shown, np.log(_NOT_SHOWN), 0.0)
    return density, log_unshown


def _exposure(story: Story, at_s: Float64Array, part: str | None) -> _Exposure:
    """Find how far a part was joined to whom fell, and for how long to any who was there; None: to all, always."""
    n = len(at_s)
    share, whole_s, since_s = np.zeros((n, len(story.lost_s))), np.zeros(n), np.zeros(n)
    from_s = float(story.lost_s[story.first])
    for name, up_s in story.up_s.items():
        moves = Moves(at=(), joined=True) if part is None else story.moves[part].get(name)
        if moves is None:
            continue
        rows = np.array([k for k, who in enumerate(story.who) if name in who], np.int64)
        alone = np.array([1.0 if len(story.who[k]) == 1 else _OTHERS_TOO for k in rows])
        if len(rows):
            share[:, rows] = np.maximum(share[:, rows], _joined(story, at_s, moves, story.lost_s[rows]) * alone)
        whole_s += _joined_s(story, at_s, moves, up_s)
        since_s += _joined_s(story, at_s, moves, np.maximum(up_s, from_s))
    return _Exposure(share=share, whole_s=whole_s, since_s=since_s)


def _edges(story: Story, at_s: Float64Array, moves: Moves) -> list[tuple[Float64Array, float, float]]:
    """When each press begins to hold, (N, 1), over how long it does so, and whether it joins or takes off."""
    edges = []
    sign = -1.0 if moves.joined else 1.0
    for press in moves.at:
        wide = float(story.uncertain_s[press])
        edges.append((at_s[:, press, None] + _FROM_S * wide, (_TO_S - _FROM_S) * wide, sign))
        sign = -sign
    return edges


def _joined(story: Story, at_s: Float64Array, moves: Moves, times_s: Float64Array) -> Float64Array:
    """(N, M) how far it is joined at each time, while presses are a second or two late."""
    joined = np.full((len(at_s), len(times_s)), float(moves.joined))
    for from_s, takes_s, sign in _edges(story, at_s, moves):
        joined += sign * np.clip((times_s[None, :] - from_s) / takes_s, 0.0, 1.0)
    held: Float64Array = np.clip(joined, 0.0, 1.0)
    return held


def _joined_s(story: Story, at_s: Float64Array, moves: Moves, spans_s: Float64Array) -> Float64Array:
    """(N,) for how long it is joined within spans, s."""
    total = np.full(len(at_s), float(moves.joined) * float((spans_s[:, 1] - spans_s[:, 0]).sum()))
    for from_s, takes_s, sign in _edges(story, at_s, moves):
        since_s = np.maximum(spans_s.T[:, None, :] - from_s[None], 0.0)  # (2, N, spans)
        held_s = np.where(since_s < takes_s, since_s**2 / (2.0 * takes_s), since_s - takes_s / 2.0)
        total += sign * (held_s[1] - held_s[0]).sum(axis=1)
    joined_s: Float64Array = np.maximum(total, 0.0)
    return joined_s


def _log_returns(story: Story, at_s: Float64Array, parts: Sequence[str], *, closely: bool) -> Float64Array:
    """(N,) of how the absences ended: by themselves, by the power alone, or also as a part was taken off."""
    free = sum(-np.log(_FREE_S) if np.isfinite(one.back_s) else np.log(_STAYS) for one in story.away)
    ways = [np.full(len(at_s), float(free)), _log_held(story, at_s, (), closely=closely)]
    ways.append(_log_held(story, at_s, parts, closely=closely) if parts else ways[-1])
    log_all: Float64Array = np.asarray(np.logaddexp.reduce(np.array(ways), axis=0) - np.log(len(ways)), np.float64)
    return log_all


def _log_held(story: Story, at_s: Float64Array, parts: Sequence[str], *, closely: bool) -> Float64Array:
    """(N,) were all held down until power came, or one of these parts was taken off."""
    starts_s, log_prior = (_STARTS_S, _LOG_STARTS) if closely else (None, np.zeros(1))
    log_l = np.zeros(len(at_s))
    for who in dict.fromkeys(one.who for one in story.away):
        each = [_log_return(story, at_s, parts, one, starts_s) for one in story.away if one.who == who]
        log_l += np.logaddexp.reduce(sum(each) + log_prior, axis=1)
    return log_l


def _unplugs(story: Story, parts: Sequence[str], who: frozenset[str]) -> tuple[int, ...]:
    """Name the presses that take a part off one of those who fell."""
    moves = [story.moves[part][name] for part in parts for name in who if name in story.moves[part]]
    return tuple(press for one in moves for press in one.at[not one.joined :: 2])


def _log_return(
    story: Story, at_s: Float64Array, parts: Sequence[str], one: Absence, starts_s: Float64Array | None
) -> Float64Array:
    """(N, T) of one return, were it held down until one of its presses: for each of T starts, or for any."""
    seldom = (1.0 - _HELD) / 100.0
    lets_go = np.array([*story.powers, *_unplugs(story, parts, one.who)], np.int64)
    came = bool(np.isfinite(one.back_s))
    n_starts = 1 if starts_s is None else len(starts_s)
    if not len(lets_go):
        return np.full((len(at_s), n_starts), np.log(seldom) if came else 0.0)
    free_s = at_s[:, lets_go] + (_FROM_S + _TO_S) / 2.0
    later: BoolArray = np.asarray(free_s > one.lost_s - 1.0)
    to_s = one.back_s if came else story.span_s
    stuck: Float64Array = np.log(_STAYS) * (later & (to_s - free_s > _STUCK_S)).sum(axis=1)[:, None]
    if not came:
        return np.repeat(stuck, n_starts, axis=1)
    took_s = one.back_s - free_s
    starts = np.logical_and(later, np.logical_and(took_s > _START_S[0], took_s < _START_S[1]))
    any_start = np.any(starts, axis=1, keepdims=True) / (_START_S[1] - _START_S[0])
    if starts_s is None:
        plain: Float64Array = stuck + np.log(_HELD * any_start + seldom)
        return plain
    z = (took_s[:, :, None] - starts_s) / _SAME_START_S
    same = (np.exp(-0.5 * z * z) * later[:, :, None]).max(axis=1) / (_SAME_START_S * np.sqrt(2.0 * np.pi))
    likely = (1.0 - _ODD_START) * same + _ODD_START * any_start
    found: Float64Array = stuck + np.log(_HELD * likely + seldom)
    return found
