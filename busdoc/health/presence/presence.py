"""Presence of one controller: when it was lost, and when it was late.

Every frame of a controller proves its presence; only the silence of its cyclic streams proves its absence.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from busdoc.health.presence.cyclic_stream import Beat
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import PeriodFrom
from busdoc.times import SECOND_NS

__all__ = ["Excuses", "Fall", "find_late", "find_lost"]

_SURE_MISSES = 5
"""So many missed frames in a row of a single stream say as much as two streams past their deadlines."""
_OWN_SHARE = 0.6
"""A single stream's silence is the controller's when nothing else was heard of it for so much of that time."""
_ESTABLISHED = 10
"""Frames of a stream whose period was learnt, before its own lateness is worth a word."""
_BRIEF_NS = 3 * SECOND_NS
"""A controller that says that it is back may take so long to get its streams going; after that it is lost again."""


class Excuses:
    """Stretches in which nothing could have been heard of a channel: the recorder's own gaps."""

    def __init__(self, spans: Sequence[tuple[int, int]] = ()) -> None:
        merged: list[list[int]] = []
        for from_ns, to_ns in sorted(spans):
            if merged and from_ns <= merged[-1][1]:
                merged[-1][1] = max(merged[-1][1], to_ns)
            else:
                merged.append([from_ns, to_ns])
        self.spans = [(low, high) for low, high in merged]

    def overlap_ns(self, from_ns: int, to_ns: int) -> int:
        """Give how much of a stretch is excused."""
        return sum(max(0, min(high, to_ns) - max(low, from_ns)) for low, high in self.spans)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fall:
    """A stretch in which a controller, or some of its streams, was missing."""

    last_seen_ns: int
    onset_ns: int
    back_ns: int | None
    steady_ns: int | None
    deadline_ns: int
    """Deadline of the stream that was missed first: how soon the loss shows."""
    jitter_ns: int
    """Jitter of that stream: how much later its frame may have been due."""
    streams: tuple[tuple[Beat, Silence], ...]
    """The cyclic streams that were silent with it."""


def find_lost(
    beats: Sequence[Beat], silences: Sequence[Silence], signs_ns: Sequence[int], excuses: Excuses, until_ns: int
) -> list[Fall]:
    """Find when a controller was lost: nothing at all of it, and its cyclic streams past their deadlines.

    Parameters
    ----------
    beats : its cyclic streams
    silences : its own silences (no frame of any stream), ascending
    signs_ns : when it said that it has just started, ascending
    excuses : the recorder's own gaps
    until_ns : how far the capture has been read
    """
    falls: list[Fall] = []
    if not beats:
        return falls
    shortest_ns = min(beat.deadline_ns - beat.slowest_ns for beat in beats)
    current: tuple[list[tuple[Beat, Silence]], Silence, int | None] | None = None  # past, first silence, back
    for silence in silences:
        end_ns = until_ns if silence.to_ns is None else silence.to_ns
        if end_ns - silence.from_ns <= shortest_ns:
            continue
        past = _past_deadline(beats, silence.from_ns, end_ns, excuses)
        if not past:
            continue
        if (
            current is not None
            and all(own.from_ns <= current[1].from_ns for _, own in past)
            and end_ns - silence.from_ns <= max(_BRIEF_NS, *(beat.deadline_ns for beat, _ in past))
        ):
            continue  # no cyclic stream beat in between: it has said that it is back, and is not in step yet
        if not _is_enough(beats, past, silence.from_ns, end_ns, signs_ns, until_ns):
            continue
        if current is not None:
            falls.append(_fall(beats, *current))
        current = (past, silence, silence.to_ns)
    if current is not None:
        falls.append(_fall(beats, *current))
    return [_until_next(fall, later) for fall, later in pairwise([*falls, None]) if fall is not None]


def _until_next(fall: Fall, later: Fall | None) -> Fall:
    """Take back that a controller came into step when it was lost again before it did."""
    if later is None or fall.steady_ns is None or fall.steady_ns <= later.last_seen_ns:
        return fall
    return replace(fall, steady_ns=None)


def _past_deadline(beats: Sequence[Beat], from_ns: int, end_ns: int, excuses: Excuses) -> list[tuple[Beat, Silence]]:
    past = []
    for beat in beats:
        own = beat.silence_over(from_ns, end_ns)
        if own is None or end_ns - own.from_ns <= beat.deadline_ns:
            continue
        if excuses.spans and end_ns - own.from_ns - excuses.overlap_ns(own.from_ns, end_ns) <= beat.deadline_ns:
            continue
        past.append((beat, own))
    return past


def _is_enough(
    beats: Sequence[Beat],
    past: list[tuple[Beat, Silence]],
    from_ns: int,
    end_ns: int,
    signs_ns: Sequence[int],
    until_ns: int,
) -> bool:
    """Tell whether the streams past their deadlines prove that the controller was lost, not just one stream late."""
    if len(past) > 1 or len(beats) == 1:
        return True
    beat, own = past[0]
    own_end_ns = until_ns if own.to_ns is None else own.to_ns
    if any(from_ns < sign_ns <= max(end_ns + beat.deadline_ns, own_end_ns) for sign_ns in signs_ns):
        return True
    own_ns = own_end_ns - own.from_ns
    misses = (end_ns - own.from_ns) // max(beat.pace_ns(own), 1)
    return bool(misses >= _SURE_MISSES and end_ns - from_ns >= _OWN_SHARE * own_ns)


def _fall(beats: Sequence[Beat], past: list[tuple[Beat, Silence]], silence: Silence, back_ns: int | None) -> Fall:
    last_ns = silence.from_ns
    covering = list(past)
    if silence.to_ns is not None:
        for beat in beats:
            own = beat.silence_over(last_ns, silence.to_ns)
            if own is not None and all(beat is not known for known, _ in past):
                covering.append((beat, own))
    onset_ns, deadline_ns, jitter_ns = _first_missed(covering, last_ns)
    return Fall(
        last_seen_ns=last_ns,
        onset_ns=onset_ns,
        back_ns=back_ns,
        steady_ns=_steady(covering, back_ns),
        deadline_ns=deadline_ns,
        jitter_ns=jitter_ns,
        streams=tuple(covering),
    )


def _first_missed(streams: list[tuple[Beat, Silence]], last_ns: int) -> tuple[int, int, int]:
    """Give when the first frame after `last_ns` was missed, and the deadline and jitter of its stream."""
    missed = []
    for beat, own in streams:
        pace_ns = max(beat.pace_ns(own), 1)
        periods = (last_ns - own.from_ns) // pace_ns + 1
        missed.append((own.from_ns + periods * pace_ns, beat.deadline_ns, beat.rhythm.jitter_ns or 0))
    return min(missed)


def _steady(streams: list[tuple[Beat, Silence]], back_ns: int | None) -> int | None:
    """Give when every stream had beaten twice within its deadline."""
    if back_ns is None:
        return None
    steady_ns = back_ns
    for beat, own in streams:
        in_step = np.flatnonzero(np.diff(own.after_ns) <= beat.deadline_ns)
        if not len(in_step):
            return None
        steady_ns = max(steady_ns, int(own.after_ns[in_step[0] + 1]))
    return steady_ns


def find_late(beats: Sequence[Beat], falls: Sequence[Fall], excuses: Excuses, until_ns: int) -> list[Fall]:
    """Find when some of a controller's cyclic streams were missing while it was not lost."""
    late: list[tuple[int, int, Beat, Silence]] = []
    for beat in beats:
        if beat.count < _ESTABLISHED and beat.rhythm.period_from is PeriodFrom.LEARNT:
            continue
        for silence in beat.silences:
            end_ns = until_ns if silence.to_ns is None else silence.to_ns
            lasts_ns = end_ns - silence.from_ns
            if lasts_ns <= beat.deadline_ns:
                continue
            if lasts_ns - excuses.overlap_ns(silence.from_ns, end_ns) <= beat.deadline_ns:
                continue
            if any(
                fall.last_seen_ns < end_ns and (fall.back_ns is None or fall.back_ns > silence.from_ns)
                for fall in falls
            ):
                continue
            late.append((silence.from_ns, end_ns, beat, silence))
    late.sort(key=lambda piece: piece[:2])
    found: list[Fall] = []
    at = 0
    while at < len(late):
        together = [late[at]]
        end_ns = late[at][1]
        at += 1
        while at < len(late) and late[at][0] < end_ns:
            together.append(late[at])
            end_ns = max(end_ns, late[at][1])
            at += 1
        streams = [(beat, silence) for _, _, beat, silence in together]
        onset_ns, deadline_ns, jitter_ns = min(
            (silence.from_ns + beat.pace_ns(silence), beat.deadline_ns, beat.rhythm.jitter_ns or 0)
            for beat, silence in streams
        )
        lasting = any(silence.to_ns is None for _, silence in streams)
        back_ns = None if lasting else end_ns
        found.append(
            Fall(
                last_seen_ns=together[0][0],
                onset_ns=onset_ns,
                back_ns=back_ns,
                steady_ns=_steady(streams, back_ns),
                deadline_ns=deadline_ns,
                jitter_ns=jitter_ns,
                streams=tuple(streams),
            )
        )
    return found
