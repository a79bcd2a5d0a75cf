"""Tells streams whose silence says nothing: they are sent in bursts, on demand, or while somebody looks.

Within a burst, or while its page is open, such a stream looks cyclic, and its pauses like frames that are missing. What
its controller did meanwhile decides: it went on. Where nothing says that a stream is always sent, neither a map nor a
database nor that it came and went with its controller, one long pause of it alone is enough; a short one may be a
loaded bus.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise

from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import nothing_came
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import PeriodFrom
from busdoc.times import SECOND_NS

__all__ = ["comes_and_goes", "is_always_sent", "is_ever_away", "without_on_demand"]

_FEWEST_PAUSES = 8
"""A stream that is known to belong to its controller and stops now and then is late, which is told."""
_SHARE_OF_TIME = 0.1
"""So much of its time an on-demand stream is not demanded, at the least; a loose part of a controller fails less."""
_ALONE = 0.25
"""In so many of its pauses the controller was heard: of one that starts again and again nothing is, in any."""
_BEATS = 3
"""Who should have sent so often in a pause, and missed nothing, shows that the controller went on."""
_TOGETHER = 2
"""A stream that so often came back with its controller is sent by it always; once is chance."""
_LONG_PERIODS, _LONG_NS = 10, SECOND_NS
"""A pause that is longer than both is none of a loaded bus."""
_STARTS_WITHIN_NS = 3 * SECOND_NS
"""Whoever speaks for longer than this has all its streams going (common practice)."""
_PAUSE_OF_A_PERSON_NS = 10 * SECOND_NS
"""Controllers that reset themselves are back sooner (common practice: a few seconds)."""
_MUCH_OF_THE_TIME = 0.2
_MOST_OF_IT = 0.5


def is_always_sent(stream: CyclicStream, streams: Sequence[CyclicStream], silences: Sequence[Silence]) -> bool:
    """Tell whether anything says that a stream is always sent while its controller is there.

    Parameters
    ----------
    stream : cyclic
    streams : all cyclic ones of its controller
    silences : the controller's own, ascending: nothing at all of it came

    Returns
    -------
    A map or a database gives its period, or it came back with its controller more than once.
    """
    if stream.rhythm.period_from is not PeriodFrom.LEARNT:
        return True
    longer_ns = max(other.late_ns for other in streams)  # what is shorter lies between the beats of the slowest
    absences = [
        (silence.from_ns, silence.to_ns)
        for silence in silences
        if silence.to_ns is not None and silence.to_ns - silence.from_ns > longer_ns
    ]
    soon_ns = max(_STARTS_WITHIN_NS, stream.late_ns)
    together = 0
    for pause in stream.silences:
        if pause.to_ns is None or pause.to_ns - pause.from_ns <= stream.late_ns:
            continue
        within = slice(bisect_left(absences, (pause.from_ns,)), bisect_left(absences, (pause.to_ns,)))
        together += any(to_ns <= pause.to_ns <= to_ns + soon_ns for _, to_ns in absences[within])
        if together >= _TOGETHER:
            return True
    return False


def without_on_demand(
    streams: Sequence[CyclicStream], silences: Sequence[Silence], until_ns: int, announced: Sequence[Silence] = ()
) -> list[CyclicStream]:
    """Give the streams of a controller whose silence says something of it.

    Parameters
    ----------
    streams : its cyclic streams; what a map or a database says of one is believed
    silences : the controller's own, ascending: nothing at all of it came
    until_ns : how far was listened
    announced : those of its silences that ended with a start, as it said
    """
    kept = [stream for stream in streams if not _is_on_demand(stream, streams, silences, until_ns, announced)]
    if announced or any(stream.rhythm.period_from is not PeriodFrom.LEARNT for stream in kept):
        return kept
    return [] if _spoke_without(kept, silences) else kept


def _spoke_without(streams: Sequence[CyclicStream], silences: Sequence[Silence]) -> bool:
    """Tell whether a controller spoke several times within one pause of all of its streams: it was on, they were not.

    One that tries to start and fails speaks like that too, but for its fastest streams.
    """
    if not streams:
        return False
    fastest = min(streams, key=lambda stream: stream.late_ns)
    for pause in fastest.silences:
        if pause.to_ns is None or pause.to_ns - pause.from_ns <= fastest.late_ns:
            continue
        within = [
            (one.to_ns, two.from_ns)
            for one, two in pairwise(silences[max(0, bisect_right(silences, pause.from_ns, key=_from_ns) - 1) :])
            if one.to_ns is not None and pause.from_ns < one.to_ns and two.from_ns < pause.to_ns
        ]
        overdue = [span for span in within if all(_is_overdue(stream, *span) for stream in streams)]
        slowest_ns = max(stream.late_ns for stream in streams)
        if len(overdue) >= _BEATS and overdue[-1][1] - overdue[0][0] > slowest_ns:  # once back, each has its turn
            return True
    return False


def _is_overdue(stream: CyclicStream, from_ns: int, to_ns: int) -> bool:
    """Tell whether a stream should have come before a stretch, and did not until after it."""
    pause = stream.silence_over(from_ns, to_ns)
    return pause is not None and from_ns - pause.from_ns > stream.late_ns


def _from_ns(silence: Silence) -> int:
    return silence.from_ns


def is_ever_away(streams: Sequence[CyclicStream], silences: Sequence[Silence], until_ns: int) -> bool:
    """Tell whether there is anything for `comes_and_goes` to weigh."""
    return any(True for _ in _away(streams, silences, until_ns))


def _away(
    streams: Sequence[CyclicStream], silences: Sequence[Silence], until_ns: int
) -> Iterator[tuple[int, int, bool]]:
    """Give when a controller, or its one stream, was silent for too long: since when, how long, and did it end."""
    longer_ns = max(stream.late_ns for stream in streams)
    for silence in streams[0].silences if len(streams) == 1 else silences:
        lasts_ns = (until_ns if silence.to_ns is None else silence.to_ns) - silence.from_ns
        if lasts_ns > longer_ns:
            yield silence.from_ns, lasts_ns, silence.to_ns is not None


def comes_and_goes(
    streams: Sequence[CyclicStream],
    silences: Sequence[Silence],
    bus_silences: Sequence[Silence],
    until_ns: int,
    *,
    joined_alone: bool,
) -> bool:
    """Tell whether a controller that never said that it starts may be one that speaks only now and then.

    Whether it is off or has nothing to say, nobody can tell then.

    Parameters
    ----------
    streams : its cyclic streams, with learnt periods
    silences : its own, ascending
    bus_silences : of its whole channel, ascending: in those nobody had anything to say
    until_ns : how far was listened
    joined_alone : it was first heard in mid-recording, and no other one with it
    """
    away = [
        (lasts_ns, ended)
        for from_ns, lasts_ns, ended in _away(streams, silences, until_ns)
        if not nothing_came(bus_silences, from_ns, from_ns + lasts_ns, until_ns, share=_MOST_OF_IT)
    ]
    one_stream = len(streams) == 1
    heard_for_ns = until_ns - min(stream.first_ns for stream in streams)
    # at the end of a recording the machine is switched off: what is open then counts for who came alone
    long_ns = [lasts_ns for lasts_ns, ended in away if lasts_ns > _PAUSE_OF_A_PERSON_NS and (ended or joined_alone)]
    much = sum(long_ns) >= _MUCH_OF_THE_TIME * heard_for_ns
    if not one_stream:
        return joined_alone and much and 2 * len(long_ns) > len(away)
    if len(long_ns) >= _TOGETHER and (much or joined_alone):
        return True
    return _is_in_bursts(streams[0], sum(lasts_ns for lasts_ns, _ in away), until_ns)


def _is_in_bursts(stream: CyclicStream, away_ns: int, until_ns: int) -> bool:
    """Tell whether most of a stream's runs are shorter than any start takes, with much time between them."""
    pauses = [pause for pause in stream.silences if _lasts(pause) > stream.late_ns]
    if len(pauses) <= _FEWEST_PAUSES or away_ns < _SHARE_OF_TIME * (until_ns - stream.first_ns):
        return False
    brief = sum(later.from_ns - (one.to_ns or until_ns) < _STARTS_WITHIN_NS for one, later in pairwise(pauses))
    return 2 * brief > len(pauses) - 1


def _lasts(silence: Silence) -> int:
    return (silence.to_ns or silence.from_ns) - silence.from_ns


def _is_on_demand(
    stream: CyclicStream,
    streams: Sequence[CyclicStream],
    silences: Sequence[Silence],
    until_ns: int,
    announced: Sequence[Silence],
) -> bool:
    if stream.rhythm.period_from is not PeriodFrom.LEARNT:
        return False
    others = [other for other in streams if other is not stream]
    away_ns = [silence.from_ns for silence in announced]
    # what came in a pause with a start in it came after the start, and says nothing of what the controller did before
    pauses = [
        (pause, end_ns)
        for pause in stream.silences
        if (end_ns := until_ns if pause.to_ns is None else pause.to_ns) - pause.from_ns > stream.late_ns
        and bisect_left(away_ns, pause.from_ns) == bisect_left(away_ns, end_ns)
    ]
    # one long pause of its own shows it, unless it is known to be sent always …
    if not is_always_sent(stream, streams, silences):
        long_ns = max(_LONG_PERIODS * stream.slowest_ns, _LONG_NS)
        for pause, end_ns in pauses:
            if (
                pause.to_ns is not None
                and end_ns - pause.from_ns > long_ns
                and (
                    any(_went_on(other, pause.from_ns, end_ns) for other in others)
                    or _spoke_on(stream, silences, pause.from_ns, end_ns)
                )
            ):
                return True
    # … and so do many, whatever is known
    alone = [
        end_ns - pause.from_ns
        for pause, end_ns in pauses
        if any(_went_on(other, pause.from_ns, end_ns) for other in others)
        or not nothing_came(silences, pause.from_ns, end_ns, until_ns)
    ]
    return len(alone) >= max(_FEWEST_PAUSES, _ALONE * len(pauses)) and sum(alone) >= _SHARE_OF_TIME * (
        until_ns - stream.first_ns
    )


def _went_on(other: CyclicStream, from_ns: int, end_ns: int) -> bool:
    """Tell whether a stream should have come several times in another's pause, and never missed its deadline."""
    if end_ns - from_ns < _BEATS * other.slowest_ns or not other.first_ns <= from_ns < other.last_ns:
        return False
    at = max(0, bisect_right(other.silent_from_ns, from_ns) - 1)
    for silence in other.silences[at:]:
        if silence.from_ns >= end_ns:
            return True
        ended = silence.to_ns is not None and silence.to_ns <= from_ns
        if not ended and (silence.to_ns is None or silence.to_ns - silence.from_ns > other.deadline_ns):
            return False
    return True


def _spoke_on(stream: CyclicStream, silences: Sequence[Silence], from_ns: int, end_ns: int) -> bool:
    """Tell whether the controller spoke within a stream's pause for longer than any start takes."""
    long_ns = max(_STARTS_WITHIN_NS, _BEATS * stream.slowest_ns)
    since_ns = from_ns
    for silence in silences:
        if silence.to_ns is not None and silence.to_ns <= from_ns:
            continue
        if silence.from_ns >= end_ns:
            break
        if silence.from_ns - since_ns > long_ns:
            return True
        if silence.to_ns is None:
            return False
        since_ns = max(since_ns, silence.to_ns)
    return end_ns - since_ns > long_ns
