"""Whether the journal's clock is the recording's: what was switched and plugged, held against what fell.

Switching power, or unplugging a controller, takes known controllers off the bus at once. Where those losses come a
constant time before or after the presses, the clocks differ by that time. Where too little was switched, the pattern of
all plugs against all losses and returns says so (`clock_pattern`). Takes actions and incidents; knows no suspects.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.clock_pattern.fit import fit_clock
from busdoc.actions.clock_pattern.story import Takes
from busdoc.actions.plugged import opening_state
from busdoc.arrays import Float64Array
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS
from busdoc.words.duration import duration

__all__ = ["SAME_CLOCK", "JournalClock", "judge_clock"]

_EARLY_S, _LATE_S = 2.5, 3.5
"""A loss comes at most so long after its press was written, or before it: presses come late, hands move first (common
practice)."""
_SAME_S = 6.0
"""Shifts that differ by less are one."""
_PLUG_S = 2.5
"""A fault that shows as it is plugged in shows within so long."""
_FAR_NS = 900 * SECOND_NS
"""Presses that all lie so far from every loss were not made in this recording (common practice)."""
_ZONE_S = 1800.0
"""Time zones lie half hours apart (IANA time zone database; a few lie a quarter)."""
_NEAR_ZONE_S = 8.0
_STEADY = 8
"""So many losses of one controller, or more, have a pace."""
_PAUSE = 2.5
"""Times the second longest pause: no pace of its own makes one so long, but for one in twenty (exponential pauses)."""
_DOUBTED = 0.5
"""Below this probability of being right a clock is doubted: it is more likely wrong than right (by definition)."""
_SAID = 2
"""Of its own standard deviations: so far a journal says that its times may be off (normal law: 95 %)."""
_LIKELY = 0.8
"""From this probability of being right on, one match of a switch moves no clock (settled on simulated sessions)."""
_MOST_DOWN = 300
"""Incidents of which it is asked who was away already (bound on work)."""
_MOST_PAIRS = 4000
"""Candidate shifts that are tried (bound on work)."""
_TAKES = (ActionKind.POWER_OFF, ActionKind.POWER_CYCLE, ActionKind.UNPLUG)
_FALLS = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.RESTARTING, IncidentKind.BUS_SILENCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalClock:
    """What is known of the journal's clock."""

    offset_ns: int = 0
    """How far it runs ahead of the recording's; 0: not at all, or nothing tells."""
    doubted: bool = False
    """It fits the traffic at no one shift: nobody is to be accused by it."""

    @property
    def words(self) -> str | None:
        """What is said of it; None: nothing."""
        if self.doubted:
            return (
                "the journal's times fit the traffic's power cycles and losses at no one shift of its clock: it "
                "accuses nobody. Compare the clocks, and give the difference with --clock-offset"
            )
        if not self.offset_ns:
            return None
        way = "ahead of" if self.offset_ns > 0 else "behind"
        return f"your journal runs {duration(abs(self.offset_ns))} {way} the recording; taken into account"


SAME_CLOCK = JournalClock()
"""Of a journal that nothing tells against."""


def judge_clock(
    machine: Machine,
    actions: Sequence[Action],
    incidents: Sequence[Incident],
    watched_ns: tuple[int, int],
    first_heard_ns: Mapping[str, int] | None = None,
) -> JournalClock:
    """Find how far the journal's clock is off.

    Parameters
    ----------
    machine : the map, possibly empty
    actions : of the journal, ascending by time
    incidents : of the whole record
    watched_ns : since when, and until when, the bus was watched
    first_heard_ns : of the controllers that were heard at all; None: all from the beginning
    """
    falls = [one for one in incidents if one.kind in _FALLS and one.controllers]
    by_hand = [one for one in actions if one.origin is Origin.JOURNAL]
    if not falls or not by_hand:
        return JournalClock()
    sure, who = _taking(machine, by_hand)
    several = len(falls) <= _MOST_DOWN
    down = [_down_at(falls, one) if sure and several else frozenset[str]() for one in falls]
    answers = [
        (action, frozenset(k for k, one in enumerate(falls) if _answers(takes, one, down[k], machine)))
        for action, takes in zip(sure, who, strict=True)
    ]
    clock = _by_switches(falls, by_hand, answers)
    said_ns = _SAID * int(np.median([one.uncertainty_ns for one in by_hand]))
    if 0 < abs(clock.offset_ns) <= said_ns:
        return JournalClock()
    fit = fit_clock(machine, by_hand, falls, answers, first_heard_ns or {}, watched_ns)
    if clock.offset_ns:  # a press that was forgotten may make another loss look like the answer
        return clock if fit.right < _LIKELY else JournalClock()
    if fit.offset_ns is not None and abs(fit.offset_ns) > said_ns:
        return JournalClock(offset_ns=fit.offset_ns)
    return JournalClock(doubted=clock.doubted or fit.right < _DOUBTED)


def _by_switches(falls: Sequence[Incident], by_hand: Sequence[Action], sure: Sequence[Takes]) -> JournalClock:
    """Judge by what must show: by the power, and by the plugs of controllers."""
    first_ns, last_ns = min(one.last_seen_ns for one in falls), max(one.onset_ns for one in falls)
    elsewhen = all(a.time_ns < first_ns - _FAR_NS or a.time_ns > last_ns + _FAR_NS for a in by_hand)
    pairs = [
        ((action.time_ns - falls[k].last_seen_ns) / SECOND_NS, n, k)
        for n, (action, which) in enumerate(sure)
        for k in sorted(which)
    ]
    plugs_s = np.array([a.time_ns / SECOND_NS for a in by_hand if a.kind is ActionKind.PLUG])
    single_s = np.array([one.last_seen_ns / SECOND_NS for one in falls if len(one.controllers) == 1])
    if not sure:
        if elsewhen or _pauses_unasked(by_hand, falls):
            return JournalClock(doubted=True)
        return _by_plugs(plugs_s, single_s)
    shifts_s = np.array([shift for shift, _, _ in pairs[:_MOST_PAIRS]])
    now = _matched(pairs, 0.0)
    if not len(shifts_s):
        return JournalClock(doubted=len(sure) > 1)
    candidates = np.unique(np.round(shifts_s, 1))
    scores = np.array(
        [_matched(pairs, float(s)) + 0.2 * min(_plugged(plugs_s, single_s, float(s)), 4) for s in candidates]
    )
    best = int(np.argmax(scores))
    others = scores[np.abs(candidates - candidates[best]) > _SAME_S]
    n_best = _matched(pairs, float(candidates[best]))
    if now >= max(n_best, 1) or 2 * now > len(sure):
        return JournalClock()
    clear = scores[best] >= max(others, default=0.0) + (0.2 if n_best > 1 else 0.4)
    enough = n_best >= 2 and 4 * n_best >= 3 * len(sure)
    at_a_zone = abs(candidates[best]) > _ZONE_S / 2 and _zone_off_s(float(candidates[best])) < _NEAR_ZONE_S
    if clear and (
        enough or (n_best == len(sure) == 1 and (at_a_zone or _plugged(plugs_s, single_s, float(candidates[best])) > 1))
    ):
        return JournalClock(offset_ns=_refined_ns(pairs, float(candidates[best])))
    return JournalClock(doubted=now == 0)


def _taking(machine: Machine, actions: Sequence[Action]) -> tuple[list[Action], list[frozenset[str]]]:
    """Give the actions that take controllers away at once, and whom; nobody: all that are there."""
    state = opening_state(machine, actions)
    feeds = {name for name, part in machine.parts.items() if part.kind in (PartKind.FEED, PartKind.SEGMENT)}
    # Of one controller or two, of which one may lie in its fault, what falls with the power is no group of anybody.
    tells_all = not 0 < len(machine.controllers) < 3
    sure: list[Action] = []
    who: list[frozenset[str]] = []
    for action in actions:
        if action.kind in (ActionKind.POWER_OFF, ActionKind.POWER_CYCLE) and action.part is None and tells_all:
            sure.append(action)
            who.append(frozenset())
        elif action.kind in _TAKES and (action.part in feeds or action.part in machine.controllers):
            taken = frozenset(state.effect(action).taken)
            if taken:
                sure.append(action)
                who.append(taken)
        state = state.after(action)
    return sure, who


def _answers(takes: frozenset[str], one: Incident, down: frozenset[str], machine: Machine) -> bool:
    """Whether those who fell are those that an action takes.

    Parameters
    ----------
    takes : nobody: all that are there, by the power
    down : who was away already
    """
    fell = frozenset(one.controllers)
    if takes:
        return 2 * len(fell & takes) > len(fell | takes)
    if one.ran_on is RanOn.KEPT_RUNNING:
        return False
    left = frozenset(machine.controllers) - down
    return one.kind is IncidentKind.BUS_SILENCE or len(fell) > 2 or (len(fell) == 2 and fell >= left)


def _down_at(falls: Sequence[Incident], one: Incident) -> frozenset[str]:
    """Name who was away as others fell."""
    return frozenset(
        loss.controller
        for other in falls
        if other is not one
        for loss in other.losses
        if loss.last_seen_ns < one.last_seen_ns and (loss.back_ns is None or loss.back_ns > one.onset_ns)
    )


def _matched(pairs: Sequence[tuple[float, int, int]], shift_s: float) -> int:
    """Count the actions that a loss answers to, were the journal so far ahead; each loss once."""
    used: set[int] = set()
    done: set[int] = set()
    for ahead_s, n, k in sorted(pairs, key=lambda pair: abs(pair[0] - shift_s)):
        off_s = ahead_s - shift_s
        if off_s > _LATE_S or off_s < -_EARLY_S:
            continue
        if n not in done and k not in used:
            done.add(n)
            used.add(k)
    return len(done)


def _plugged(plugs_s: Float64Array, single_s: Float64Array, shift_s: float) -> int:
    """Count the losses of one controller that come as something is plugged in, were the journal so far ahead."""
    if not len(plugs_s) or not len(single_s):
        return 0
    after_s = single_s[:, None] - (plugs_s[None, :] - shift_s)
    return int(((after_s > -_PLUG_S) & (after_s < _PLUG_S)).any(axis=1).sum())


def _by_plugs(plugs_s: Float64Array, single_s: Float64Array) -> JournalClock:
    """Judge where nothing was done that must show: by the losses that come as something is plugged in."""
    if len(plugs_s) < 3 or len(single_s) < 3 or len(plugs_s) * len(single_s) > _MOST_PAIRS:
        return JournalClock()
    candidates = np.unique(np.round((plugs_s[None, :] - single_s[:, None]).ravel(), 1))
    scores = np.array([_plugged(plugs_s, single_s, float(s)) for s in candidates])
    best = int(np.argmax(scores))
    others = scores[np.abs(candidates - candidates[best]) > _SAME_S]
    if _plugged(plugs_s, single_s, 0.0) or scores[best] < 3 or 4 * scores[best] < 3 * len(single_s):
        return JournalClock()
    if scores[best] < max(others, default=0) + 2:
        return JournalClock(doubted=True)
    return JournalClock(offset_ns=round(float(candidates[best]) * SECOND_NS))


def _pauses_unasked(actions: Sequence[Action], falls: Sequence[Incident]) -> bool:
    """Whether steady trouble of one controller stops and comes back while the journal moves nothing.

    And goes on through the plugs that it moves: then the clock is more likely wrong than every branch sound.
    """
    for name in dict.fromkeys(one.controllers[0] for one in falls if len(one.controllers) == 1):
        lost_s = np.array([one.last_seen_ns / SECOND_NS for one in falls if one.controllers == (name,)])
        if len(lost_s) < _STEADY:
            continue
        pauses_s = np.diff(lost_s)
        longest = int(np.argmax(pauses_s))
        if pauses_s[longest] < _PAUSE * np.partition(pauses_s, -2)[-2]:
            continue
        from_s, to_s = lost_s[longest] - _EARLY_S, lost_s[longest + 1] + _LATE_S
        done_s = [one.time_ns / SECOND_NS for one in actions]
        if not any(from_s <= t_s <= to_s for t_s in done_s) and any(lost_s[0] < t_s < lost_s[-1] for t_s in done_s):
            return True
    return False


def _zone_off_s(shift_s: float) -> float:
    """Give how far a shift is from a whole number of half hours, s."""
    rest = abs(shift_s) % _ZONE_S
    return min(rest, _ZONE_S - rest)


def _refined_ns(pairs: Sequence[tuple[float, int, int]], shift_s: float) -> int:
    """Give the shift by all that fits it: the median, less the half second that a press is late by itself."""
    near = [ahead for ahead, _, _ in pairs if -_EARLY_S <= ahead - shift_s <= _LATE_S]
    return round((float(np.median(near)) - 0.5) * SECOND_NS)
