"""Starts: the silences of a controller that a sign of a start proves to have been absences, whatever its rhythm.

A controller that says that it has just started was away before. For how long is known from its frames alone: from the
last one before to the first one after. So a controller that resets itself over and over, and never speaks for long
enough to show a rhythm, is seen to be away each time.
"""

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.streams.silence import Silence
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["LEAST_START_NS", "SIGN_AFTER_NS", "Announced", "is_start", "proven_absences", "silences_before_starts"]

LEAST_START_NS = 200 * MILLISECOND_NS
"""No controller is off, up and speaking again in less (common practice: 0.2 s for the quickest, one to seven as a
rule)."""
SIGN_AFTER_NS = 5 * SECOND_NS
"""A sign of a start comes so long after the first frame at the most (common practice)."""
_CLEAR_OF_OTHERS = 0.5
"""The silence before a start is the longest of those near it; one as late and at least half as long goes before it."""
_SAID_AT_STARTS_ONLY = (SignKind.BOOT_UP, SignKind.HEARTBEAT_FIRST)
"""By definition (CiA 301, ISO 11783-7); an address is claimed at other times too."""
_SEVERAL = 3
_NEARLY_ALL, _MOSTLY = 0.9, 0.5
_OWN_PART = 1 / 3
_LATE_BEAT = 1.25
"""Periods: a beat that comes later than that did not come in its time."""


class Announced(NamedTuple):
    """A silence that ended with a start, and the sign that said so."""

    silence: Silence
    sign: Sign


def is_start(sign: Sign) -> bool:
    """Tell whether a sign says that its sender has just started: nobody had asked for it."""
    return not sign.asked and sign.kind is not SignKind.HEARTBEAT_LAST


def silences_before_starts(silences: Sequence[Silence], signs: Sequence[Sign]) -> list[Announced]:
    """Give the silences that ended with a start that was announced.

    Parameters
    ----------
    silences : of the controller: no frame of any of its streams; ascending
    signs : its own, ascending

    Returns
    -------
    Ascending, each once. A sign that follows no silence of a start's length repeats the start before, or tells of none.
    """
    ended = [silence for silence in silences if silence.to_ns is not None]
    ends_ns = [silence.to_ns for silence in ended if silence.to_ns is not None]
    found: list[Announced] = []
    before_ns = 0
    for sign in signs:
        if not is_start(sign):
            continue
        # what ended since the sign before, and not too long ago
        first = bisect_right(ends_ns, max(before_ns, sign.t_ns - SIGN_AFTER_NS - 1))
        last = bisect_right(ends_ns, sign.t_ns)
        before_ns = sign.t_ns
        near = [one for one in ended[first:last] if _lasts_ns(one) >= LEAST_START_NS]
        if not near:
            continue
        longest_ns = max(_lasts_ns(one) for one in near)
        silence = next(one for one in reversed(near) if _lasts_ns(one) >= _CLEAR_OF_OTHERS * longest_ns)
        found.append(Announced(silence, sign))
    return found


def _lasts_ns(silence: Silence) -> int:
    return (silence.to_ns or 0) - silence.from_ns


def proven_absences(
    announced: Sequence[Announced],
    silences: Sequence[Silence],
    streams: Sequence[CyclicStream],
    ordinary_ns: Int64Array | None,
) -> list[Announced]:
    """Give the silences before announced starts in which the controller really was away.

    A boot-up or a first heartbeat says enough. A claim while no cyclic stream missed a beat is no start: the address
    was asked for by some other means. Where no stream has a rhythm, claims do where there are several, the controller
    never paused for so long without one, and it mostly said something else as well.

    Parameters
    ----------
    announced : of `silences_before_starts`
    silences : all of the controller's
    streams : its cyclic streams
    ordinary_ns : when it sent what is no claim, answer or the like, ascending; None: too often to be kept
    """
    if streams:
        return [
            one
            for one in announced
            if one.sign.kind in _SAID_AT_STARTS_ONLY or any(_missed_a_beat(stream, one.silence) for stream in streams)
        ]
    sure = [one for one in announced if one.sign.kind in _SAID_AT_STARTS_ONLY]
    if len(sure) == len(announced) or len(announced) < _SEVERAL:
        return sure
    if ordinary_ns is not None and _spoken(announced, ordinary_ns) < _MOSTLY * len(announced):
        return sure
    shortest_ns = min(_lasts_ns(one.silence) for one in announced)
    pauses = sum(_lasts_ns(silence) >= shortest_ns for silence in silences)
    return list(announced) if _NEARLY_ALL * pauses <= len(announced) else sure


def _spoken(announced: Sequence[Announced], ordinary_ns: Int64Array) -> int:
    """Count the starts after which the controller said something ordinary, before it was away again."""
    starts_ns = [one.silence.to_ns or 0 for one in announced]
    ends_ns = [*(one.silence.from_ns for one in announced[1:]), np.iinfo(np.int64).max]
    first = np.searchsorted(ordinary_ns, starts_ns, side="left")
    after = np.searchsorted(ordinary_ns, ends_ns, side="right")
    return int(np.count_nonzero(after > first))


def _missed_a_beat(stream: CyclicStream, silence: Silence) -> bool:
    if stream.first_ns > silence.from_ns:
        return False
    end_ns = silence.to_ns or silence.from_ns
    own = stream.silence_over(silence.from_ns, end_ns)
    from_ns, to_ns = (silence.from_ns, end_ns) if own is None else (own.from_ns, own.to_ns or end_ns)
    is_own = end_ns - silence.from_ns >= _OWN_PART * (to_ns - from_ns)  # it was not away for a reason of its own
    return is_own and to_ns - from_ns > _LATE_BEAT * stream.slowest_ns
