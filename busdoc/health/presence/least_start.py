"""Least start: the shortest time in which a controller can restart, and which signs of a start are believed.

A controller that restarts is silent from its reset until its software sends again. So whatever is shorter than its
start was no restart, and a sign of a start that came while its streams kept their beat answered somebody: a request to
another address, on another bus, or by means of the maker's own.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["believed_signs", "least_start_ns"]

_LEAST_WITH_CLAIM_NS = 200 * MILLISECOND_NS
"""Reset, self-test and the address claim of a controller on 29-bit identifiers take longer (common practice); SAE
J1939-81 has most of them wait 250 ms more after the claim."""
_LEAST_NS = 150 * MILLISECOND_NS
"""The same for anything else: reset, oscillator, boot loader, initialisation (common practice)."""
_SIGN_AFTER_NS = 5 * SECOND_NS
"""A sign comes so soon after the streams of the start that it speaks of are in step (common practice)."""
_MISSED = 1.5
"""Periods: a longer interval missed a beat."""
_FULL = 0.7
"""Share of its frames that a stream must have sent between its known silences for these to be all that it had."""
_SAID_AT_START_ONLY = (SignKind.BOOT_UP, SignKind.HEARTBEAT_FIRST)
"""What the open standards let a node send on a start and never on request (CiA 301; ISO 11783-7)."""


def least_start_ns(controller: JudgedController) -> int:
    """Give the shortest time in which a controller can have restarted, ns.

    A floor for its kind, and what its own starts show: no start is shorter than the time from its first word, a claim
    say, to the first frame of its streams.
    """
    floor_ns = _LEAST_NS if controller.identity.address is None else _LEAST_WITH_CLAIM_NS
    streams = controller.cyclic_streams
    if not streams or not controller.signs:
        return floor_ns
    first = next((sign for sign in controller.signs if not sign.asked), None)
    first_frame_ns = min(stream.first_ns for stream in streams)
    if first is None or first.kind is SignKind.HEARTBEAT_LAST or not 0 < first_frame_ns - first.t_ns < SECOND_NS:
        return floor_ns
    return max(floor_ns, first_frame_ns - first.t_ns)


def believed_signs(controller: JudgedController, until_ns: int) -> list[Sign]:
    """Mark the signs that prove no start as asked for, and give all, in their order.

    A claim proves a start when one of the controller's cyclic streams missed a beat before it, for no less than the
    start takes. Boot-ups and first heartbeats are sent at a start only, so they are believed unless a stream that
    should have paused went on. What belongs to the controller's first frames is left as it is.
    """
    return [
        sign if sign.asked or _is_believed(sign, controller, until_ns) else replace(sign, asked=True)
        for sign in controller.signs
    ]


def _is_believed(sign: Sign, controller: JudgedController, until_ns: int) -> bool:
    if sign.kind is SignKind.HEARTBEAT_LAST or sign.t_ns <= controller.first_ns + _SIGN_AFTER_NS:
        return True
    streams = [stream for stream in controller.cyclic_streams if stream.first_ns < sign.t_ns]
    untold = [stream for stream in streams if not _is_followed(stream, until_ns)]
    spans = [span for stream in streams for span in _missed(stream, sign, until_ns)]
    # the longest stretch in which a stream paused, and no other stream that beats fast enough to tell went on
    longest_ns = max((_silent_ns(from_ns, to_ns, streams) for from_ns, to_ns in spans), default=0)
    if longest_ns >= controller.least_start_ns:
        return True
    if sign.kind in _SAID_AT_START_ONLY:
        return not any(_MISSED * stream.slowest_ns < controller.least_start_ns for stream in streams)
    return bool(untold)


def _missed(stream: CyclicStream, sign: Sign, until_ns: int) -> list[tuple[int, int]]:
    """Give the silences of a stream that missed a beat and that a sign may belong to."""
    found = []
    for silence in stream.silences:
        end_ns = until_ns if silence.to_ns is None else silence.to_ns
        if (
            silence.from_ns < sign.t_ns <= end_ns + _SIGN_AFTER_NS + stream.slowest_ns
            and end_ns - silence.from_ns > _MISSED * stream.pace_ns(silence)
        ):
            found.append((silence.from_ns, end_ns))
    return found


def _silent_ns(from_ns: int, to_ns: int, streams: Sequence[CyclicStream]) -> int:
    """Give for how long of a stretch none of the streams is known to have sent; 0 where one beat all through it."""
    for stream in streams:
        if to_ns - from_ns <= _MISSED * stream.slowest_ns:
            continue  # too slow to tell
        middle_ns = (from_ns + to_ns) // 2
        own = stream.silence_over(middle_ns, middle_ns)
        if own is None:
            return 0
        from_ns = max(from_ns, own.from_ns)
        to_ns = to_ns if own.to_ns is None else min(to_ns, own.to_ns)
    return to_ns - from_ns


def _is_followed(stream: CyclicStream, until_ns: int) -> bool:
    """Tell whether all the pauses of a stream are known: else nobody can say that it kept its beat."""
    silent_ns = sum((until_ns if one.to_ns is None else one.to_ns) - one.from_ns for one in stream.silences)
    running_ns = stream.last_ns - stream.first_ns - silent_ns
    return stream.count * stream.slowest_ns >= _FULL * running_ns
