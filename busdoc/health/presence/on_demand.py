"""Tells streams that are sent in bursts, or on demand, by what their controller did in the pauses: it went on.

Within a burst such a stream looks cyclic, and its pauses like frames that are missing. One alone cannot be told from a
controller that starts again and again; where others never missed a beat meanwhile, or anything of it came, it can.
"""

from bisect import bisect_right
from collections.abc import Sequence

from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import nothing_came
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import PeriodFrom

__all__ = ["without_on_demand"]

_FEWEST_PAUSES = 8
"""A stream that stops now and then while its controller goes on is late, which is told."""
_SHARE_OF_TIME = 0.1
"""So much of its time an on-demand stream is not demanded, at the least; a loose part of a controller fails less."""
_ALONE = 0.25
"""In so many of its pauses the controller was heard: of one that starts again and again nothing is, in any."""
_BEATS = 3
"""Who should have sent so often in a pause, and missed nothing, shows that the controller went on."""


def without_on_demand(
    streams: Sequence[CyclicStream], silences: Sequence[Silence], until_ns: int
) -> list[CyclicStream]:
    """Give the streams of a controller whose silence says something of it.

    Parameters
    ----------
    streams : its cyclic streams; what a map or a database says of one is believed
    silences : the controller's own, ascending: nothing at all of it came
    until_ns : how far was listened
    """
    return [stream for stream in streams if not _is_on_demand(stream, streams, silences, until_ns)]


def _is_on_demand(
    stream: CyclicStream, streams: Sequence[CyclicStream], silences: Sequence[Silence], until_ns: int
) -> bool:
    if stream.rhythm.period_from is not PeriodFrom.LEARNT or len(stream.silences) < _FEWEST_PAUSES:
        return False
    pauses = [
        pause for pause in stream.silences if pause.to_ns is not None and pause.to_ns - pause.from_ns > stream.late_ns
    ]
    others = [other for other in streams if other is not stream]
    alone = [
        pause
        for pause in pauses
        if any(_went_on(other, pause) for other in others)
        or not nothing_came(silences, pause.from_ns, pause.to_ns or until_ns, until_ns)
    ]
    paused_ns = sum((pause.to_ns or 0) - pause.from_ns for pause in alone)
    return len(alone) >= max(_FEWEST_PAUSES, _ALONE * len(pauses)) and paused_ns >= _SHARE_OF_TIME * (
        until_ns - stream.first_ns
    )


def _went_on(other: CyclicStream, pause: Silence) -> bool:
    """Tell whether a stream should have come several times in another's pause, and never missed its deadline."""
    assert pause.to_ns is not None
    if pause.to_ns - pause.from_ns < _BEATS * other.slowest_ns or not other.first_ns <= pause.from_ns < other.last_ns:
        return False
    at = max(0, bisect_right(other.silent_from_ns, pause.from_ns) - 1)
    for silence in other.silences[at:]:
        if silence.from_ns >= pause.to_ns:
            return True
        ended = silence.to_ns is not None and silence.to_ns <= pause.from_ns
        if not ended and (silence.to_ns is None or silence.to_ns - silence.from_ns > other.deadline_ns):
            return False
    return True
