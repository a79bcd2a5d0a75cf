"""Lateness: which pauses of some of a controller's streams are told while the controller itself went on.

A stream that is sent on demand stops while its controller goes on, and nothing in one recording tells that from a part
of the controller that failed. So it is told only of streams that are known to be always sent, and where nearly all of
the controller stopped at once: then somebody else may speak in its name.
"""

from collections.abc import Sequence

from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence, RecorderGaps, find_late
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.on_demand import is_always_sent
from busdoc.health.streams.silence import Silence
from busdoc.times import SECOND_NS

__all__ = ["paused_rows", "told_late"]

_SEVERAL = 5
_NEARLY_ALL = 0.75
_LONG_NS = 10 * SECOND_NS
"""Within this a machine that is switched off falls silent stream by stream; and shorter pauses are nobody's worry."""


def told_late(
    streams: Sequence[CyclicStream],
    absences: Sequence[Absence],
    gaps: RecorderGaps,
    until_ns: int,
    silences: Sequence[Silence],
) -> list[Absence]:
    """Find when streams of a controller were missing that it owed, while others went on.

    Parameters
    ----------
    streams : its cyclic streams
    absences, gaps, until_ns, silences : as `busdoc.health.presence.dropout.find_late` takes them

    Returns
    -------
    Ascending; they do not overlap.
    """
    owed = [stream for stream in streams if is_always_sent(stream, streams, silences)]
    late = find_late(owed, absences, gaps, until_ns, silences)
    if len(owed) == len(streams):
        return late
    nearly_all = [
        one
        for one in find_late(streams, absences, gaps, until_ns, silences)
        if len({stream.row for stream, _ in one.streams}) >= max(_SEVERAL, _NEARLY_ALL * len(streams))
    ]
    late = [one for one in late if not any(_overlap(one, other) for other in nearly_all)]
    return sorted([*late, *nearly_all], key=lambda one: one.last_seen_ns)


def paused_rows(one: JudgedController, looked_cyclic: Sequence[CyclicStream]) -> list[int]:
    """Give the streams that stopped for long while their controller went on, of which nothing says that they must not.

    Parameters
    ----------
    one : the controller, its losses and what was late found
    looked_cyclic : its streams with a rhythm, those included that were found to be sent on demand

    Returns
    -------
    Ascending.
    """
    told = {stream.row for late in one.late for stream, _ in late.streams}
    away = [(absence.last_seen_ns, absence.back_ns or one.last_ns) for absence in one.absences]
    return sorted(
        stream.row
        for stream in looked_cyclic
        if stream.row not in told
        and any(
            (end_ns := one.last_ns if pause.to_ns is None else pause.to_ns) - pause.from_ns > _long_ns(stream)
            and not any(low < end_ns and high > pause.from_ns for low, high in away)
            for pause in stream.silences
        )
    )


def _long_ns(stream: CyclicStream) -> int:
    """Give how long a pause of a stream must be at the least to be remarked: longer than its own rhythm has it wait."""
    return max(_LONG_NS, stream.late_ns)


def _overlap(one: Absence, other: Absence) -> bool:
    return (other.back_ns is None or one.last_seen_ns < other.back_ns) and (
        one.back_ns is None or other.last_seen_ns < one.back_ns
    )
