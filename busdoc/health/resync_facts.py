"""What one controller did after one power-up: first frame, identity, streams in step, restarts, codes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.decode.sign import Sign, SignKind
from busdoc.health.arrivals import StreamArrivals
from busdoc.health.code import FaultCode
from busdoc.health.controller import ControllerHealth, ExpectedStream, PeriodFrom, StreamHealth, StreamKey
from busdoc.health.incident import Gap, GapKind, Incident, IncidentKind, Loss, RanOn
from busdoc.health.resync import ControllerReturn, Expectation, PowerUp, StreamReturn

__all__ = ["SETTLING_NS", "Heard", "expected_name_of", "follow_return", "moved_to", "with_moved"]

SETTLING_NS = 10_000_000_000
"""How long after it was in step no restart and no code may come (common practice)."""
_SETTLING_COUNT = 5
"""So many intervals in a row within the deadline are a rhythm that holds."""
_DEADLINE = 2.9
"""Periods, of a stream of which the capture shows too little (as in `busdoc.health.rhythm`)."""
_MISSED = 3.0
"""Frames of a controller that must be missing together before a pause is a restart."""


class Heard:
    """All that was heard in the capture, as the following of returns needs it."""

    def __init__(
        self,
        arrivals: Mapping[StreamKey, StreamArrivals],
        signs: Sequence[Sign],
        incidents: Sequence[Incident],
        codes: Sequence[FaultCode],
        gaps: Sequence[Gap] = (),
    ) -> None:
        self.arrivals = arrivals
        self.signs = signs
        self.codes = codes
        self.gaps = [gap for gap in gaps if gap.kind is GapKind.CAPTURE_GAP]
        """What the recorder itself did not hear."""
        self.losses = [
            loss
            for incident in incidents
            if incident.kind in (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)
            for loss in incident.losses
        ]
        self.unheard = [
            loss
            for incident in incidents
            for loss in incident.losses
            if loss.ran_on is RanOn.KEPT_RUNNING
            or (incident.kind is IncidentKind.BUS_SILENCE and loss.ran_on is not RanOn.RESTARTED)
        ]
        """Silences in which the controller kept running, or that were the whole bus's."""
        self.restarts = [
            (name, incident.onset_ns)
            for incident in incidents
            if incident.kind is IncidentKind.RESTART
            for name in incident.controllers
        ]

    def gone_ns(self, names: Sequence[str]) -> dict[str, int]:
        """Give the last frame of each controller when half of them or more went for good: power went off again."""
        gone = {loss.controller: loss.last_seen_ns for loss in self.losses if loss.back_ns is None}
        of_these = {name: gone[name] for name in names if name in gone}
        return of_these if len(of_these) > 1 and 2 * len(of_these) >= len(names) else {}


def with_moved(heard: Heard, power_up: PowerUp, addresses: Iterable[tuple[int | None, int]]) -> PowerUp:
    """Count a power-up from the first frame of controllers under their new (channel, address), too, if earlier."""
    if power_up.zero_ns is None or power_up.off_ns is None:
        return power_up
    first_ns = power_up.zero_ns
    for channel, address in addresses:
        for key, arrivals in heard.arrivals.items():
            if key.extended and key.id & 0xFF == address and channel in (None, key.channel):
                found = (int(run[0]) for run in arrivals.runs if len(run) and int(run[0]) > power_up.off_ns)
                first_ns = min(first_ns, next(found, first_ns))
    time_ns = first_ns if power_up.time_ns == power_up.zero_ns else power_up.time_ns
    return replace(power_up, time_ns=time_ns, zero_ns=first_ns)


def moved_to(heard: Heard, power_up: PowerUp, one: ControllerHealth, can_name: int | None) -> int | None:
    """Give the address that a NAME claimed after a power-up, when it is not the controller's own."""
    own = one.identity.address
    if own is None or can_name is None or power_up.zero_ns is None:
        return None
    from_ns = power_up.zero_ns if power_up.off_ns is None else power_up.off_ns + 1
    claimed = [
        sign.address
        for sign in heard.signs
        if sign.kind is SignKind.ADDRESS_CLAIM
        and sign.can_name == can_name
        and from_ns <= sign.t_ns < power_up.until_ns
        and (one.channel is None or sign.channel == one.channel)
    ]
    return claimed[-1] if claimed and claimed[-1] != own else None


def follow_return(heard: Heard, power_up: PowerUp, one: ControllerHealth, expectation: Expectation) -> ControllerReturn:
    """Follow one controller through one power-up; the verdict is left to `busdoc.health.resync_verdict`."""
    gone_ns = heard.gone_ns(power_up.controllers).get(one.name)
    if gone_ns is not None and power_up.zero_ns is not None and power_up.zero_ns <= gone_ns < power_up.until_ns:
        power_up = replace(power_up, until_ns=gone_ns + 1)
    zero_ns = power_up.until_ns if power_up.zero_ns is None else power_up.zero_ns
    expected_name = expected_name_of(heard, power_up, one, expectation)
    moved = moved_to(heard, power_up, one, expected_name)
    address = one.identity.address if moved is None else moved
    own = _own_streams(heard, one, moved)
    signs = [
        sign
        for sign in heard.signs
        if zero_ns <= sign.t_ns < power_up.until_ns
        and sign.kind is not SignKind.HEARTBEAT_LAST
        and (one.channel is None or sign.channel == one.channel)
        and (
            (sign.address is not None and sign.address == address)
            or (sign.node_id is not None and sign.node_id == one.identity.node_id)
        )
    ]
    boots_ns = np.array([sign.t_ns for sign in signs if sign.kind is SignKind.BOOT_UP], np.int64)
    runs = {
        key: _without(_runs(heard.arrivals[key], zero_ns, power_up.until_ns), boots_ns if _is_control(key) else None)
        for key in own
    }
    firsts = [int(found[0][0]) for found in runs.values() if found]
    first_ns = min([*firsts, *(sign.t_ns for sign in signs)], default=None)
    wanted = _wanted(one, expectation, moved)
    restarts = () if first_ns is None else _restarts(heard, one, runs, wanted, first_ns, power_up)
    from_ns = restarts[-1] if restarts else zero_ns
    streams = tuple(
        _stream(key, period_ns, deadline_ns, runs.get(key, []), heard.arrivals.get(key), from_ns, power_up)
        for key, period_ns, deadline_ns in wanted
    )
    steady = [stream.steady_ns for stream in streams if stream.steady_ns is not None]
    steady_ns = max(steady) if streams and len(steady) == len(streams) else None
    if not streams and first_ns is not None:
        steady_ns = first_ns  # nothing cyclic is expected of it
    settled_ns = min(power_up.until_ns, (steady_ns or first_ns or zero_ns) + SETTLING_NS)
    restarts = tuple(t_ns for t_ns in restarts if t_ns <= settled_ns)
    claims = [sign for sign in signs if sign.kind is SignKind.ADDRESS_CLAIM]
    return ControllerReturn(
        name=one.name,
        first_ns=first_ns,
        identified_ns=signs[0].t_ns if signs else None,
        steady_ns=steady_ns,
        streams=streams,
        restarts_ns=restarts,
        fell_again=first_ns is not None
        and any(
            _fell_for_good(loss, first_ns, settled_ns, power_up) for loss in heard.losses if loss.controller == one.name
        ),
        codes=() if first_ns is None else _codes(heard.codes, one.name, first_ns, settled_ns),
        can_name=claims[-1].can_name if claims else None,
        expected_name=expected_name,
        moved_to=moved,
        limit_ns=expectation.limit_ns,
        usual_ns=expectation.usual_ns,
        starts_after=expectation.starts_after,
    )


def _fell_for_good(loss: Loss, first_ns: int, settled_ns: int, power_up: PowerUp) -> bool:
    """Tell whether a controller was lost while settling, and not back before power went off again.

    When power goes off, controllers fall silent within a second of each other.
    """
    if not first_ns <= loss.last_seen_ns < min(settled_ns, power_up.until_ns - 1):
        return False
    if loss.back_ns is None:
        return True
    return loss.back_ns >= power_up.until_ns and loss.onset_ns + _ONE_RESTART_NS < power_up.until_ns


def expected_name_of(heard: Heard, power_up: PowerUp, one: ControllerHealth, expectation: Expectation) -> int | None:
    """Give the NAME that the map knows, else the one that the controller claimed last before the power-up."""
    if expectation.identity.can_name is not None:
        return expectation.identity.can_name
    before_ns = power_up.zero_ns if power_up.off_ns is None else power_up.off_ns + 1
    if before_ns is None:
        return None
    claimed = [
        sign.can_name
        for sign in heard.signs
        if sign.kind is SignKind.ADDRESS_CLAIM
        and sign.t_ns < before_ns
        and sign.address == one.identity.address
        and sign.channel == one.channel
    ]
    return claimed[-1] if claimed and one.identity.address is not None else None


def _own_streams(heard: Heard, one: ControllerHealth, moved: int | None) -> list[StreamKey]:
    own = [stream.key for stream in one.streams if stream.key in heard.arrivals]
    if moved is not None:
        own += [
            key
            for key in heard.arrivals
            if key.extended and key.id & 0xFF == moved and (one.channel is None or key.channel == one.channel)
        ]
    return own


def _wanted(one: ControllerHealth, expectation: Expectation, moved: int | None) -> list[tuple[StreamKey, int, int]]:
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


def _runs(arrivals: StreamArrivals, zero_ns: int, until_ns: int) -> list[Int64Array]:
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


def _is_control(key: StreamKey) -> bool:
    """Tell a CANopen error control identifier: it carries the boot-up as well as the heartbeat (CiA 301)."""
    return not key.extended and key.id & 0x780 == 0x700


def _without(runs: list[Int64Array], boots_ns: Int64Array | None) -> list[Int64Array]:
    """Leave the boot-ups out of a heartbeat's arrivals: they are no beat of it."""
    if boots_ns is None or not len(boots_ns):
        return runs
    beats = [run[~np.isin(run, boots_ns)] for run in runs]
    return [run for run in beats if len(run)]


def _stream(
    key: StreamKey,
    period_ns: int,
    deadline_ns: int,
    runs: Sequence[Int64Array],
    arrivals: StreamArrivals | None,
    from_ns: int,
    power_up: PowerUp,
) -> StreamReturn:
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


def _restarts(
    heard: Heard,
    one: ControllerHealth,
    runs: Mapping[StreamKey, Sequence[Int64Array]],
    wanted: Iterable[tuple[StreamKey, int, int]],
    first_ns: int,
    power_up: PowerUp,
) -> tuple[int, ...]:
    """Find when the controller came back from a restart of its own, ascending.

    It announced itself again, or all its streams that had begun paused together for longer than a few frames.
    """
    found = [t_ns for name, t_ns in heard.restarts if name == one.name and first_ns < t_ns < power_up.until_ns]
    found += [
        loss.back_ns
        for loss in heard.losses
        if loss.controller == one.name
        and loss.back_ns is not None
        and loss not in heard.unheard
        and first_ns <= loss.last_seen_ns
        and loss.back_ns < power_up.until_ns
    ]
    unheard_ns = [loss.back_ns for loss in heard.unheard if loss.controller == one.name and loss.back_ns is not None]
    pauses = _pauses(runs, {key: (period, deadline) for key, period, deadline in wanted})
    gaps = [gap for gap in heard.gaps if gap.channel in (None, one.channel)]
    found += [
        to_ns
        for from_ns, to_ns in pauses
        if all(abs(to_ns - back_ns) > _ONE_RESTART_NS for back_ns in unheard_ns)
        and not any(gap.from_ns < to_ns and gap.to_ns > from_ns for gap in gaps)
    ]
    distinct: list[int] = []
    for t_ns in sorted(found):
        if not distinct or t_ns - distinct[-1] > _ONE_RESTART_NS:
            distinct.append(t_ns)
    return tuple(distinct)


_ONE_RESTART_NS = 1_000_000_000
"""What tells of a restart does so within a second."""


def _pauses(
    runs: Mapping[StreamKey, Sequence[Int64Array]], wanted: Mapping[StreamKey, tuple[int, int]]
) -> list[tuple[int, int]]:
    """Find where all streams that had begun were silent together; gives the frames before and after each."""
    gaps = [gap for key, (_, deadline_ns) in wanted.items() for gap in _breaks(runs.get(key, ()), deadline_ns)]
    pauses: list[tuple[int, int]] = []
    for from_ns, to_ns in sorted(gaps):
        low, high, missed, alive = from_ns, to_ns, 0.0, False
        for key in wanted:
            own = runs.get(key, ())
            if own and int(own[0][0]) <= from_ns:
                low, high = _narrowed(own, low, high)
        for key, (period_ns, _) in wanted.items():
            own = runs.get(key, ())
            if not own or int(own[0][0]) > low:
                continue
            if _is_silent(own, low, high):
                missed += (high - low) / period_ns
            elif period_ns < 0.5 * (high - low):
                alive = True
        if not alive and missed >= _MISSED and high > low:
            pauses.append((low, high))
    return pauses


def _breaks(runs: Sequence[Int64Array], deadline_ns: int) -> Iterable[tuple[int, int]]:
    """Give the silences past the deadline."""
    for run in runs:
        late = np.flatnonzero(np.diff(run) > deadline_ns)
        yield from ((int(run[at]), int(run[at + 1])) for at in late.tolist())


def _narrowed(runs: Sequence[Int64Array], low: int, high: int) -> tuple[int, int]:
    """Shrink a stretch to the part in which this stream is not known to have sent, seen from its middle."""
    times = np.concatenate(list(runs))
    inside = times[(times > low) & (times < high)]
    if not len(inside):
        return low, high
    edges = np.concatenate(([low], inside, [high]))
    widest = int(np.argmax(np.diff(edges)))
    return int(edges[widest]), int(edges[widest + 1])


def _is_silent(runs: Sequence[Int64Array], low: int, high: int) -> bool:
    """Tell whether the stream is known to have been silent over a stretch."""
    return any(
        int(run[at]) <= low and int(run[at + 1]) >= high
        for run in runs
        for at in [int(np.searchsorted(run, low, side="right")) - 1]
        if 0 <= at < len(run) - 1
    )


def _codes(codes: Sequence[FaultCode], name: str, first_ns: int, until_ns: int) -> tuple[str, ...]:
    """Name the codes that were active between the first frame and the end of settling."""
    return tuple(
        code.code
        for code in codes
        if code.controller == name
        and code.occurrences
        and any(raised <= until_ns and (cleared is None or cleared > first_ns) for raised, cleared in code.active_spans)
    )
