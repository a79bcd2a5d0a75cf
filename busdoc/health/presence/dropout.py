"""Dropouts of one controller: when it was lost, and when it was only late.

Every frame of a controller proves its presence; only the silence of its cyclic streams proves its absence.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import PeriodFrom
from busdoc.times import SECOND_NS

__all__ = ["Absence", "RecorderGaps", "SilentStream", "find_late", "find_lost", "nothing_came"]

_SURE_MISSES = 5
"""So many missed frames in a row of a single stream say as much as two streams past their deadlines."""
_OWN_SHARE = 0.6
"""A single stream's silence is the controller's when nothing else was heard of it for so much of that time."""
_NEARLY_ALL = 0.9
"""Where so much of a stream's silence was the controller's own, nothing else of it went on."""
_ESTABLISHED = 10
"""Frames of a stream whose period was learnt, before its own lateness is worth a word."""
_BRIEF_NS = 3 * SECOND_NS
"""A controller that says that it is back may take so long to get its streams going; after that it is lost again."""

SilentStream: TypeAlias = tuple[CyclicStream, Silence]
"""A cyclic stream with the silence of it that counts."""
_LateSilence: TypeAlias = tuple[int, int, SilentStream]
"""(from, to, stream with its silence)"""


class RecorderGaps:
    """Stretches in which nothing could have been heard of a channel, because the recorder lost it.

    Parameters
    ----------
    spans : (from, to) in ns, in any order; those that touch become one
    """

    def __init__(self, spans: Sequence[tuple[int, int]] = ()) -> None:
        merged: list[list[int]] = []
        for from_ns, to_ns in sorted(spans):
            if merged and from_ns <= merged[-1][1]:
                merged[-1][1] = max(merged[-1][1], to_ns)
            else:
                merged.append([from_ns, to_ns])
        self.spans = [(low, high) for low, high in merged]

    def overlap_ns(self, from_ns: int, to_ns: int) -> int:
        """Give how much of a stretch the recorder lost."""
        return sum(max(0, min(high, to_ns) - max(low, from_ns)) for low, high in self.spans)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Absence:
    """A stretch in which a controller, or some of its streams, was missing."""

    last_seen_ns: int
    """The last frame before it; of a late stream: its own last frame."""
    onset_ns: int
    """The first frame that was missed."""
    back_ns: int | None
    """The first frame after it; None while it lasts."""
    steady_ns: int | None
    """When every stream of it was in step again; None: not yet, or lost again before."""
    deadline_ns: int
    """Deadline of the stream that was missed first: how soon the absence shows."""
    jitter_ns: int
    """Jitter of that stream: how much later its frame may have been due."""
    streams: tuple[SilentStream, ...]
    """The cyclic streams that were silent with it."""
    announced: bool = False
    """A sign of a start ended it."""
    missed: bool = True
    """It was longer than the deadlines allow; else only the sign tells that the controller was away."""


def find_lost(
    streams: Sequence[CyclicStream],
    silences: Sequence[Silence],
    signs_ns: Sequence[int],
    gaps: RecorderGaps,
    until_ns: int,
    proven: Sequence[Silence] = (),
) -> list[Absence]:
    """Find when a controller was lost: nothing at all of it, and its cyclic streams past their deadlines.

    A silence that a start ended was an absence, whatever the deadlines.

    Parameters
    ----------
    streams : its cyclic streams
    silences : its own silences (no frame of any stream), ascending
    signs_ns : when it said that it has just started, ascending
    gaps : of the recorder, on its channel
    until_ns : how far the capture has been read
    proven : those of the silences that ended with a start that was announced

    Returns
    -------
    Ascending; they do not overlap.
    """
    absences: list[Absence] = []
    if not streams and not proven:
        return absences
    shortest_ns = min((stream.deadline_ns - stream.slowest_ns for stream in streams), default=0)
    announced_ns = {silence.from_ns for silence in proven}
    current: tuple[list[SilentStream], Silence, bool] | None = None  # streams past their deadlines, its first silence
    for silence in silences:
        # what is shorter than the least time by which a stream can overrun its deadline proves nothing
        end_ns = until_ns if silence.to_ns is None else silence.to_ns
        announced = silence.from_ns in announced_ns
        if end_ns - silence.from_ns <= shortest_ns and not announced:
            continue
        past = _past_deadline(streams, silence, end_ns, gaps)
        if not past and not announced:
            continue
        # where no cyclic stream came between two silences, the controller has said that it is back and is not in step
        # yet: the second silence belongs to the same start, unless it lasts too long for one
        if (
            not announced
            and current is not None
            and all(own.from_ns <= current[1].from_ns for _, own in past)
            and end_ns - silence.from_ns <= max(_BRIEF_NS, *(stream.deadline_ns for stream, _ in past))
        ):
            continue
        # any other silence that is the controller's own ends the absence before it and begins the next
        if not announced and not _is_enough(streams, past, silence.from_ns, end_ns, signs_ns, until_ns):
            continue
        if current is not None:
            absences.append(_absence(streams, *current))
        current = (past, silence, announced)
    if current is not None:
        absences.append(_absence(streams, *current))
    return [_until_next(absence, later) for absence, later in pairwise([*absences, None]) if absence is not None]


def _until_next(absence: Absence, later: Absence | None) -> Absence:
    """Take back that a controller came into step when it was lost again before it did."""
    if later is None or absence.steady_ns is None or absence.steady_ns <= later.last_seen_ns:
        return absence
    return replace(absence, steady_ns=None)


def _past_deadline(
    streams: Sequence[CyclicStream], silence: Silence, end_ns: int, gaps: RecorderGaps
) -> list[SilentStream]:
    """Give the streams silent over a whole stretch and past their deadline, the recorder's gaps not counted.

    Of a stream whose own silence was not kept, since it had too many, the controller's tells enough.
    """
    past = []
    for stream in streams:
        own = stream.silence_over(silence.from_ns, end_ns)
        if own is None and stream.first_ns <= silence.from_ns:
            own = Silence.bare(silence.from_ns, silence.to_ns)
        if own is not None and end_ns - own.from_ns - gaps.overlap_ns(own.from_ns, end_ns) > stream.late_ns:
            past.append((stream, own))
    return past


def _is_enough(
    streams: Sequence[CyclicStream],
    past: list[SilentStream],
    from_ns: int,
    end_ns: int,
    signs_ns: Sequence[int],
    until_ns: int,
) -> bool:
    """Tell whether the streams past their deadlines prove that the controller was lost, not just one stream late."""
    begun = sum(stream.first_ns <= from_ns for stream in streams)
    if begun == 1:
        return True
    # a start that was announced just after proves that the controller was gone …
    stream, own = past[0]
    own_end_ns = until_ns if own.to_ns is None else own.to_ns
    if any(from_ns < sign_ns <= max(end_ns + stream.deadline_ns, own_end_ns) for sign_ns in signs_ns):
        return True
    # … a stream that goes on while the others stay away proves that it was not, however many they are …
    if _one_went_on(streams, past, from_ns, end_ns, until_ns):
        return False
    if len(past) > 1:
        return True
    # … else it takes many frames missed in a row, and nothing else heard for most of that time
    missed_many = end_ns - own.from_ns >= _SURE_MISSES * stream.pace_ns(own)
    return missed_many and end_ns - from_ns >= _OWN_SHARE * (own_end_ns - own.from_ns)


def _one_went_on(
    streams: Sequence[CyclicStream], past: list[SilentStream], from_ns: int, end_ns: int, until_ns: int
) -> bool:
    """Tell whether a stream missed no frame, and the others were silent for much longer than the controller.

    A stream slow enough to have nothing to send while all others are silent proves nothing while it is awaited. Its
    frame in time, and none of the others' before or after for as long as a start takes, shows that they alone had
    stopped.
    """
    for _, own in past:
        own_end_ns = until_ns if own.to_ns is None else own.to_ns
        longer_ns = (own_end_ns - own.from_ns) - (end_ns - from_ns)
        if longer_ns <= _BRIEF_NS or (own.to_ns is not None and own.to_ns <= end_ns):
            return False
    silent = {stream.row for stream, _ in past}
    for stream in streams:
        if stream.row not in silent and stream.first_ns <= from_ns and stream.last_ns >= end_ns:
            slow = stream.silence_over(from_ns, end_ns)
            if slow is None or (slow.to_ns is not None and slow.to_ns <= end_ns):
                return True
    return False


def _absence(
    streams: Sequence[CyclicStream], past: list[SilentStream], silence: Silence, announced: bool = False
) -> Absence:
    """Make the record of one absence: the streams past their deadlines, and those that were silent with them."""
    covering = list(past)
    if silence.to_ns is not None:
        for stream in streams:
            own = stream.silence_over(silence.from_ns, silence.to_ns)
            if own is not None and all(stream is not known for known, _ in past):
                covering.append((stream, own))
    if covering:
        onset_ns, deadline_ns, jitter_ns = _first_missed(covering, silence.from_ns)
    else:
        onset_ns, deadline_ns, jitter_ns = _soonest_missed(streams, silence)
    return Absence(
        last_seen_ns=silence.from_ns,
        onset_ns=onset_ns,
        back_ns=silence.to_ns,
        steady_ns=_steady(covering, silence.to_ns),
        deadline_ns=deadline_ns,
        jitter_ns=jitter_ns,
        streams=tuple(covering),
        announced=announced,
        missed=bool(past),
    )


def _soonest_missed(streams: Sequence[CyclicStream], silence: Silence) -> tuple[int, int, int]:
    """Say the same of an absence that no kept silence of a stream covers: a frame was due within the shortest period.

    Without any rhythm the whole absence is all that is known.
    """
    if not streams:
        return silence.to_ns or silence.from_ns, 0, 0
    fastest = min(streams, key=lambda stream: stream.period_ns)
    onset_ns = silence.from_ns + fastest.period_ns
    if silence.to_ns is not None:
        onset_ns = min(onset_ns, silence.to_ns)
    return onset_ns, fastest.deadline_ns, fastest.rhythm.jitter_ns or 0


def _first_missed(streams: Sequence[SilentStream], last_ns: int) -> tuple[int, int, int]:
    """Give when the first frame after `last_ns` was missed, and the deadline and jitter of its stream."""
    missed = []
    for stream, own in streams:
        pace_ns = max(stream.pace_ns(own), 1)
        periods = (last_ns - own.from_ns) // pace_ns + 1
        missed.append((own.from_ns + periods * pace_ns, stream.deadline_ns, stream.rhythm.jitter_ns or 0))
    return min(missed)


def _steady(streams: Sequence[SilentStream], back_ns: int | None) -> int | None:
    """Give when every stream had come twice within its deadline."""
    if back_ns is None:
        return None
    steady_ns = back_ns
    for stream, own in streams:
        in_step = np.flatnonzero(np.diff(own.after_ns) <= stream.deadline_ns)
        if not len(in_step):
            return None
        steady_ns = max(steady_ns, int(own.after_ns[in_step[0] + 1]))
    return steady_ns


def find_late(
    streams: Sequence[CyclicStream],
    absences: Sequence[Absence],
    gaps: RecorderGaps,
    until_ns: int,
    silences: Sequence[Silence] = (),
) -> list[Absence]:
    """Find when some of a controller's cyclic streams were missing while others went on.

    Parameters
    ----------
    streams : its cyclic streams
    absences : when it was lost
    gaps : of the recorder, on its channel
    until_ns : how far the capture has been read
    silences : its own, ascending; where nothing at all of it came, no others went on

    Returns
    -------
    Ascending; streams that were late at the same time are one.
    """
    # what overlaps what came before is one absence, from the first start to the last end
    groups: list[list[_LateSilence]] = []
    end_ns = 0
    for late in sorted(_late_silences(streams, absences, gaps, until_ns), key=lambda late: late[:2]):
        if nothing_came(silences, late[0], late[1], until_ns):
            continue
        if groups and late[0] < end_ns:
            groups[-1].append(late)
            end_ns = max(end_ns, late[1])
        else:
            groups.append([late])
            end_ns = late[1]
    return [_late_absence(group) for group in groups]


def nothing_came(
    silences: Sequence[Silence], from_ns: int, end_ns: int, until_ns: int, *, share: float = _NEARLY_ALL
) -> bool:
    """Tell whether one silence of the controller itself takes nearly all of a stretch, or another share of it."""
    at = bisect_right(silences, from_ns, key=lambda silence: silence.from_ns) - 1
    for silence in silences[max(0, at) :]:
        if silence.from_ns >= end_ns:
            return False
        upto_ns = min(end_ns, until_ns if silence.to_ns is None else silence.to_ns)
        if upto_ns - max(from_ns, silence.from_ns) >= share * (end_ns - from_ns):
            return True
    return False


def _late_absence(group: Sequence[_LateSilence]) -> Absence:
    silent = [own for _, _, own in group]
    onset_ns, deadline_ns, jitter_ns = min(
        (silence.from_ns + stream.pace_ns(silence), stream.deadline_ns, stream.rhythm.jitter_ns or 0)
        for stream, silence in silent
    )
    lasts = any(silence.to_ns is None for _, silence in silent)
    back_ns = None if lasts else max(end_ns for _, end_ns, _ in group)
    return Absence(
        last_seen_ns=group[0][0],
        onset_ns=onset_ns,
        back_ns=back_ns,
        steady_ns=_steady(silent, back_ns),
        deadline_ns=deadline_ns,
        jitter_ns=jitter_ns,
        streams=tuple(silent),
    )


def _late_silences(
    streams: Sequence[CyclicStream], absences: Sequence[Absence], gaps: RecorderGaps, until_ns: int
) -> Iterator[_LateSilence]:
    """Give each silence past a deadline while the controller was there."""
    for stream in streams:
        if stream.count < _ESTABLISHED and stream.rhythm.period_from is PeriodFrom.LEARNT:
            continue
        for silence in stream.silences:
            end_ns = until_ns if silence.to_ns is None else silence.to_ns
            if end_ns - silence.from_ns - gaps.overlap_ns(silence.from_ns, end_ns) <= stream.late_ns:
                continue
            if not any(
                absence.last_seen_ns < end_ns and (absence.back_ns is None or absence.back_ns > silence.from_ns)
                for absence in absences
            ):
                yield silence.from_ns, end_ns, (stream, silence)
