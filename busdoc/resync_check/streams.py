"""One stream after a power-up: whether it had to come, when it came, and when it was in step."""

from collections.abc import Sequence

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.health.controller import ControllerHealth, StreamHealth, StreamKey
from busdoc.health.streams.arrivals import StreamArrivals
from busdoc.machine.controller_spec import ExpectedStream, PeriodFrom
from busdoc.resync_check.records import Expectation, PowerUp, StreamReturn

__all__ = ["follow_stream", "is_control", "runs_since", "wanted_streams", "without_boot_ups"]

_SETTLING_COUNT = 5
"""So many intervals in a row within the deadline are a rhythm that holds."""
_DEADLINE = 2.9
"""Periods, of a stream of which the capture shows too little (as in `busdoc.health.streams.rhythm`)."""


def wanted_streams(
    one: ControllerHealth, expectation: Expectation, moved: int | None
) -> list[tuple[StreamKey, int, int]]:
    """List the streams that must come: (key, period, deadline)."""
    seen = {(stream.key.extended, stream.key.id): stream for stream in one.streams}
    if not expectation.streams:
        return [
            (_readdressed(stream.key, moved), stream.period_ns, stream.deadline_ns)
            for stream in one.streams
            if stream.cyclic and stream.period_ns and stream.deadline_ns
        ]
    channel = one.channel if one.channel is not None else expectation.channel or 0
    wanted = []
    for expected in expectation.streams:
        if expected.period_ns is None:
            continue
        key = StreamKey(channel=channel, extended=expected.extended, id=expected.id)
        deadline_ns = _deadline(seen.get((expected.extended, expected.id)), expected)
        wanted.append((_readdressed(key, moved), expected.period_ns, deadline_ns))
    return wanted


def _deadline(seen: StreamHealth | None, expected: ExpectedStream) -> int:
    assert expected.period_ns is not None
    if seen is not None and seen.deadline_ns is not None:
        return max(seen.deadline_ns, expected.period_ns)
    if seen is not None and not seen.cyclic and seen.period_from is not PeriodFrom.LEARNT:
        return int(np.iinfo(np.int64).max)  # it was seen not to keep its period: coming is all that can be asked
    return round(_DEADLINE * expected.period_ns)


def _readdressed(key: StreamKey, moved: int | None) -> StreamKey:
    if moved is None or not key.extended:
        return key
    return StreamKey(channel=key.channel, extended=True, id=key.id & ~0xFF | moved)


def runs_since(arrivals: StreamArrivals, zero_ns: int, until_ns: int) -> list[Int64Array]:
    """Give the arrivals since the power-up that are known, joined where nothing is missing between two runs."""
    joined: list[Int64Array] = []
    for run, before_ns in zip(arrivals.runs, arrivals.before_ns, strict=True):
        if not len(run) or not zero_ns <= int(run[0]) < until_ns:
            continue
        if not joined and before_ns >= zero_ns:
            return []  # it went on without a silence that could be told: nobody knows its first frame
        cut = run[run < until_ns]
        if joined and int(joined[-1][-1]) == before_ns:
            joined[-1] = np.concatenate((joined[-1], cut))
        elif joined:  # what lies between is not kept, but held its rhythm up to the last frame before the silence
            joined.append(np.concatenate((np.array([before_ns], np.int64), cut)))
        else:
            joined.append(cut)
    return joined


def is_control(key: StreamKey) -> bool:
    """Tell a CANopen error control identifier: it carries the boot-up as well as the heartbeat (CiA 301)."""
    return not key.extended and key.id & 0x780 == 0x700


def without_boot_ups(runs: list[Int64Array], boots_ns: Int64Array | None) -> list[Int64Array]:
    """Leave the boot-ups out of a heartbeat's arrivals: they are no beat of it."""
    if boots_ns is None or not len(boots_ns):
        return runs
    beats = [run[~np.isin(run, boots_ns)] for run in runs]
    return [run for run in beats if len(run)]


def follow_stream(
    key: StreamKey,
    period_ns: int,
    deadline_ns: int,
    runs: Sequence[Int64Array],
    arrivals: StreamArrivals | None,
    from_ns: int,
    power_up: PowerUp,
) -> StreamReturn:
    """Follow one stream through one power-up.

    Parameters
    ----------
    key : the stream
    period_ns, deadline_ns : its rhythm
    runs : its arrivals since the power-up, as `runs_since` gives them
    arrivals : all that is known of it; None: it was never heard
    from_ns : where to begin: the power-up, or the last restart
    power_up : which one
    """
    zero_ns = power_up.until_ns if power_up.zero_ns is None else power_up.zero_ns
    first_ns = int(runs[0][0]) if runs else None
    went_on = not runs and arrivals is not None and arrivals.count > 0 and arrivals.last_ns >= zero_ns
    went_on = went_on and arrivals is not None and any(int(run[0]) < zero_ns for run in arrivals.runs if len(run))
    steady_ns, may_settle = None, False
    for number, run in enumerate(runs):
        since = run[run >= from_ns]
        last = number == len(runs) - 1
        steady_ns, may_settle = _settled(since, deadline_ns, power_up.until_ns if last else None)
        if steady_ns is not None:
            break
    if went_on and steady_ns is None:
        steady_ns = min(from_ns + period_ns, power_up.until_ns)
    if first_ns is None and not went_on:
        may_settle = power_up.until_ns - zero_ns <= deadline_ns
    return StreamReturn(
        key=key,
        period_ns=period_ns,
        first_ns=first_ns,
        steady_ns=steady_ns,
        heard=first_ns is not None or went_on,
        may_settle=may_settle,
    )


def _settled(t_ns: Int64Array, deadline_ns: int, until_ns: int | None) -> tuple[int | None, bool]:
    """Give the second frame of the first run of intervals that holds the rhythm, and whether it may still come.

    Parameters
    ----------
    t_ns : known arrivals
    until_ns : end of what was heard, for the last arrivals; None: more arrivals follow
    """
    if len(t_ns) < 2:
        waits = until_ns is not None and len(t_ns) == 1 and until_ns - int(t_ns[-1]) <= deadline_ns
        return None, waits
    kept = np.diff(t_ns) <= deadline_ns
    for at in range(len(kept)):
        run = kept[at : at + _SETTLING_COUNT]
        if not run.all():
            continue
        if len(run) == _SETTLING_COUNT or until_ns is None or until_ns - int(t_ns[-1]) <= deadline_ns:
            return int(t_ns[at + 1]), False
    return None, False
