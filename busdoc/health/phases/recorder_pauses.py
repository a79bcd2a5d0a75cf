"""Recognises pauses of the recorder: short silences of everything, alike and in a steady beat.

A recorder that writes to its disk each few seconds misses what comes meanwhile. A bad contact keeps no time, and no
controller starts anew within half a second.
"""

from collections.abc import Sequence, Set
from dataclasses import replace
from itertools import pairwise

from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import GapKind, Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.times import MILLISECOND_NS
from busdoc.words.duration import duration

__all__ = ["without_recorder_pauses"]

_FEWEST = 5
"""Pauses that make a beat: of silences at random, fewer than one set in a thousand keeps it so well."""
_LONGEST_NS = 500 * MILLISECOND_NS
"""From power to its first frame a controller takes longer (common practice)."""
_ALIKE = 0.25
"""They last as long as the one in the middle, to this share of it."""
_IN_BEAT = 0.05
"""From one to the next it is a whole number of beats, to this share of one."""


def without_recorder_pauses(health: Health) -> Health:
    """Give the same health with silences of the whole bus that come in a steady beat told as gaps of the recording."""
    silences = sorted((one for one in health.incidents if _may_be_pause(one, health)), key=lambda one: one.last_seen_ns)
    pauses = _in_beat(_alike(silences))
    if len(pauses) < _FEWEST:
        return health
    beat_ns = _beat_ns([one.last_seen_ns for one in pauses])
    why = f"everything stopped and went on in step, every {duration(round(beat_ns))}: the recorder, not the bus"
    told = {id(one): _capture_gap(one, why) for one in pauses}
    spans = {(one.last_seen_ns, one.back_ns) for one in pauses}
    gaps = tuple(
        replace(gap, channel=None, kind=GapKind.CAPTURE_GAP, why=why) if (gap.from_ns, gap.to_ns) in spans else gap
        for gap in health.gaps
    )
    away = {(loss.controller, loss.last_seen_ns) for one in pauses for loss in one.losses}
    return replace(
        health,
        incidents=tuple(told.get(id(one), one) for one in health.incidents),
        gaps=gaps,
        controllers=tuple(_without(one, away) for one in health.controllers),
    )


def _without(one: ControllerHealth, away: Set[tuple[str, int]]) -> ControllerHealth:
    """Take absences, as (controller, last seen), back: nobody knows whether it was there."""
    kept = tuple(span for span in one.absences if (one.name, span[0]) not in away)
    lost_ns = sum(to_ns - from_ns for from_ns, to_ns in kept)
    return replace(one, absences=kept, lost_ns=lost_ns, present_ns=one.present_ns + one.lost_ns - lost_ns)


def _may_be_pause(one: Incident, health: Health) -> bool:
    if one.kind is not IncidentKind.BUS_SILENCE or one.back_ns is None or one.ran_on is RanOn.RESTARTED:
        return False
    channels = {controller.channel for controller in health.controllers if controller.channel is not None}
    everywhere = one.channel is None or len(channels) < 2  # one bus of several stops by itself
    return everywhere and one.back_ns - one.last_seen_ns < _LONGEST_NS


def _alike(silences: Sequence[Incident]) -> list[Incident]:
    """Keep those that last about as long as the one in the middle."""
    lasts_ns = sorted(_lasts_ns(one) for one in silences)
    if not lasts_ns:
        return []
    typical_ns = lasts_ns[len(lasts_ns) // 2]
    return [one for one in silences if abs(_lasts_ns(one) - typical_ns) <= _ALIKE * typical_ns]


def _in_beat(silences: Sequence[Incident]) -> list[Incident]:
    """Give them all where they keep one beat, each a whole number of beats after the one before; else nothing."""
    if len(silences) < _FEWEST:
        return []
    starts_ns = [one.last_seen_ns for one in silences]
    beat_ns = _beat_ns(starts_ns)
    between = [(later - before) / beat_ns for before, later in pairwise(starts_ns)]
    return list(silences) if all(abs(n - round(n)) <= _IN_BEAT and round(n) for n in between) else []


def _beat_ns(starts_ns: Sequence[int]) -> float:
    """Give the time from one to the next, in the middle of all."""
    between_ns = sorted(later - before for before, later in pairwise(starts_ns))
    return float(max(between_ns[len(between_ns) // 2], 1))


def _lasts_ns(one: Incident) -> int:
    return (one.back_ns or one.last_seen_ns) - one.last_seen_ns


def _capture_gap(one: Incident, why: str) -> Incident:
    """Make a gap of the recording of a silence: nobody was lost."""
    return replace(
        one,
        kind=IncidentKind.CAPTURE_GAP,
        channel=None,
        controllers=(),
        onset_ns=one.last_seen_ns,
        steady_ns=one.back_ns,
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
        losses=(),
        why=(why,),
    )
