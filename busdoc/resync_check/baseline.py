"""Baseline: what healthy looks like, learnt from one good recording.

Who is on the bus, what each sends and how evenly, when each is back after power-up, within what limit it must be, in
what order they come, and what the wire ordinarily carries. Writing it as a map is `busdoc.resync_check.baseline_text`.
"""

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from functools import partial
from statistics import median, stdev

from busdoc.health.controller import ControllerHealth, StreamHealth, StreamKey
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import Identity
from busdoc.resync_check.periods import SeenPeriod
from busdoc.resync_check.records import ControllerReturn, PowerUpReturn, ReturnFault
from busdoc.resync_check.tolerance import ToleranceBound, upper_bound
from busdoc.times import SECOND_NS

__all__ = [
    "Baseline",
    "LearntBus",
    "LearntController",
    "LearntStream",
    "LearntWake",
    "learn_baseline",
    "together",
    "unsteady_streams",
    "with_returns",
    "without_unsteady",
]

COVERAGE = 0.99
CONFIDENCE = 0.95
_FEWEST_FOR_ORDER = 5
_STOPPED_NS = 2 * SECOND_NS
_STOPPED_PERIODS = 5
"""A stream that is missing for so long before its controller's last frame had stopped."""
_ENOUGH_FRAMES = 5
"""Frames from which a stream without a rhythm is taken to have none, and not to be too seldom to tell."""
_TIED = 0.35
"""Standard deviation of the time between two controllers, against that to the others, when one waits for the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntStream:
    """One cyclic stream."""

    key: StreamKey
    seen: SeenPeriod

    @property
    def period_ns(self) -> int:
        """The designed period where the measured one is within 2 % of it."""
        return self.seen.period_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntController:
    """One controller."""

    name: str
    channel: int | None
    identity: Identity
    streams: tuple[LearntStream, ...]
    returns_ns: tuple[int, ...] = ()
    """From the first frame of each power-up until it was in step."""
    usual_ns: int | None = None
    limit: ToleranceBound | None = None
    """In seconds; None from fewer than three returns."""
    limit_ns: int | None = None
    """The limit, and one period of its slowest stream, whose phase is chance; in steps of 0.1 s, rounded up."""
    place: int | None = None
    """1: ordinarily the first to speak."""
    starts_after: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntBus:
    """One channel."""

    channel: int
    bitrate: int | None
    """bit/s that the map says, or the traffic speaks for."""
    load: float | None
    errors_per_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntWake:
    """How long it took from power until the first frame, where somebody pressed or a signal told."""

    feed: str | None
    """None: the whole machine."""
    n: int
    usual_ns: int
    limit_ns: int | None
    """In steps of 0.1 s, rounded up; None from fewer than three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """All that was learnt."""

    controllers: tuple[LearntController, ...]
    buses: tuple[LearntBus, ...]
    n_power_ups: int
    """Whole ones, from which times were learnt."""
    left_out: tuple[str, ...]
    """Returns that were not healthy, and controllers that are none, as sentences."""
    wakes: tuple[LearntWake, ...] = ()
    recordings: tuple[str, ...] = ()
    """Those that times were learnt from, of earlier calls too, as the map names them."""
    unsteady: tuple[str, ...] = ()
    """Frames that some recording, of earlier calls too, showed to be none to expect, ascending."""


def learn_baseline(health: Health, power_ups: Sequence[PowerUpReturn]) -> Baseline:
    """Learn from a recording of a healthy machine.

    Parameters
    ----------
    health : of the whole recording
    power_ups : every one found; those that the recording does not show whole give no times
    """
    whole = [one for one in power_ups if one.power_up.whole and one.power_up.zero_ns is not None]
    left_out: list[str] = []
    returns: dict[str, list[int]] = {}
    firsts: list[dict[str, int]] = []
    # what is usual counts from the machine's first frame; a feed's own only where the machine was never switched
    of_machine = any(one.power_up.feed is None for one in whole)
    expected = {one.name: {stream.key for stream in _streams(one)} for one in health.controllers}
    for n, one in enumerate(whole, start=1):
        if of_machine and one.power_up.feed is not None:
            continue
        zero_ns = one.power_up.zero_ns or 0
        firsts.append({c.name: c.first_ns - zero_ns for c in one.controllers if c.first_ns is not None})
        for controller in one.controllers:
            why = _unhealthy(controller)
            if why is not None:
                left_out.append(f"{controller.name} at power-up {n}: {why}.")
            elif controller.steady_ns is not None:
                steady_ns = _in_step_ns(controller, expected.get(controller.name, frozenset()))
                returns.setdefault(controller.name, []).append(controller.took_ns(steady_ns, zero_ns))
    places = _places(firsts)
    waits = _waits(firsts)
    controllers = []
    for found in health.controllers:
        streams = _streams(found)
        if found.first_ns is None:
            left_out.append(f"{found.name}: never heard, nothing learnt of it.")
        elif not streams:
            left_out.append(
                f"{found.name}: sends nothing in a rhythm ({found.frames} frames); not taken as a controller."
            )
        else:
            own = tuple(returns.get(found.name, ()))
            controllers.append(_controller(found, streams, own, places.get(found.name), waits.get(found.name)))
    minutes = max(health.until_ns - health.start_ns, 1) / 60e9
    buses = tuple(
        LearntBus(
            channel=wire.channel,
            bitrate=wire.bitrate or wire.likely_bitrate,
            load=wire.mean_load,
            errors_per_min=int(wire.error_frames.sum()) / minutes,
        )
        for wire in health.wire
    )
    return Baseline(
        controllers=tuple(controllers),
        buses=buses,
        n_power_ups=len(whole),
        left_out=tuple(dict.fromkeys(left_out)),
        wakes=_wakes(whole),
    )


def together(healths: Sequence[Health]) -> Health:
    """Put what several recordings of one machine showed into one: of each stream the recording that shows it best.

    A stream that any of them shows to stop, or to keep no rhythm, while its controller goes on is none to expect. Times
    are the longest recording's; only what a baseline needs of the others is there.
    """
    longest = max(healths, key=lambda one: one.until_ns - one.start_ns)
    by_name: dict[str, ControllerHealth] = {}
    for health in healths:
        for one in health.controllers:
            known = by_name.get(one.name)
            by_name[one.name] = _steadfast(one) if known is None else _joined(known, _steadfast(one))
    return replace(longest, controllers=tuple(by_name.values()))


def unsteady_streams(healths: Sequence[Health]) -> set[str]:
    """Name the frames that stop, or keep no rhythm, while their controller goes on."""
    return {
        str(stream.key)
        for health in healths
        for one in health.controllers
        for stream in _steadfast(one).streams
        if not stream.cyclic and stream.frames >= _ENOUGH_FRAMES
    }


def without_unsteady(baseline: Baseline, unsteady: Set[str]) -> Baseline:
    """Give the same without the streams that are none to expect, whichever recording showed it."""
    left = []
    for one in baseline.controllers:
        streams = tuple(stream for stream in one.streams if str(stream.key) not in unsteady)
        if streams:
            slowest_ns = max(stream.period_ns for stream in streams)
            left.append(with_returns(replace(one, streams=streams), one.returns_ns, slowest_ns))
    return replace(baseline, controllers=tuple(left), unsteady=tuple(sorted(unsteady)))


def _steadfast(one: ControllerHealth) -> ControllerHealth:
    """Take the rhythm from streams that stopped while their controller went on: they are not always sent."""
    return replace(one, streams=tuple(map(partial(_unless_stopped, one), one.streams)))


def _unless_stopped(one: ControllerHealth, stream: StreamHealth) -> StreamHealth:
    if not stream.cyclic or stream.period_ns is None or one.last_ns is None:
        return stream
    stopped = one.last_ns - stream.last_ns > max(_STOPPED_NS, _STOPPED_PERIODS * stream.period_ns)
    return replace(stream, cyclic=False) if stopped else stream


def _joined(one: ControllerHealth, other: ControllerHealth) -> ControllerHealth:
    more, less = (one, other) if one.frames >= other.frames else (other, one)
    best = {stream.key: stream for stream in less.streams}
    for stream in more.streams:
        known = best.get(stream.key)
        if known is None:
            best[stream.key] = stream
            continue
        # of two that keep a rhythm the one that shows it longer; where either has frames enough and none, it has none
        either = stream if (stream.cyclic, stream.frames) >= (known.cyclic, known.frames) else known
        loose = any(not found.cyclic and found.frames >= _ENOUGH_FRAMES for found in (stream, known))
        best[stream.key] = replace(either, cyclic=either.cyclic and not loose)
    return replace(more, streams=tuple(best.values()))


def _wakes(power_ups: Sequence[PowerUpReturn]) -> tuple[LearntWake, ...]:
    """Learn from power to first frame, for the machine and each feed; a press may lie after the first frame."""
    by_feed: dict[str | None, list[int]] = {}
    for one in power_ups:
        if one.power_up.wake_ns is not None:
            by_feed.setdefault(one.power_up.feed, []).append(one.power_up.wake_ns)
    found = []
    for feed, wakes_ns in by_feed.items():
        limit = upper_bound([value / SECOND_NS for value in wakes_ns], coverage=COVERAGE, confidence=CONFIDENCE)
        limit_ns = None if limit is None else max(1, math.ceil(10.0 * limit.bound)) * (SECOND_NS // 10)
        usual_ns = max(0, round(median(wakes_ns)))
        found.append(LearntWake(feed=feed, n=len(wakes_ns), usual_ns=usual_ns, limit_ns=limit_ns))
    return tuple(found)


def _unhealthy(one: ControllerReturn) -> str | None:
    """Say why a return teaches nothing; being slower than an older limit does not count."""
    bad = [fault for fault in one.faults if fault not in (ReturnFault.SLOW, ReturnFault.LATE_STREAM)]
    if bad or one.steady_ns is None:
        return one.reasons[0] if one.reasons else "not in step before the recording ended"
    return None


def _in_step_ns(one: ControllerReturn, expected: Set[StreamKey]) -> int:
    """Give when all that the map will expect was in step: what it leaves out makes nobody late."""
    steady = [stream.steady_ns for stream in one.streams if stream.key in expected and stream.steady_ns is not None]
    return max(steady, default=one.steady_ns or 0)


def _streams(found: ControllerHealth) -> tuple[LearntStream, ...]:
    return tuple(
        LearntStream(key=stream.key, seen=seen)
        for stream in sorted(found.streams, key=lambda stream: stream.key)
        if (seen := SeenPeriod.in_recording(stream)) is not None
    )


def _controller(
    found: ControllerHealth,
    streams: tuple[LearntStream, ...],
    returns_ns: tuple[int, ...],
    place: int | None,
    starts_after: str | None,
) -> LearntController:
    one = LearntController(
        name=found.name,
        channel=found.channel,
        identity=found.identity,
        streams=streams,
        place=place,
        starts_after=starts_after,
    )
    return with_returns(one, returns_ns, max(stream.period_ns for stream in streams))


def with_returns(one: LearntController, returns_ns: tuple[int, ...], slowest_ns: int) -> LearntController:
    """Give a controller with these returns, and what is usual and the limit that follow from them.

    Parameters
    ----------
    slowest_ns : period of its slowest stream, whose phase is chance
    """
    limit = upper_bound([value / SECOND_NS for value in returns_ns], coverage=COVERAGE, confidence=CONFIDENCE)
    limit_ns = None
    if limit is not None:
        limit_ns = math.ceil(10.0 * (limit.bound + slowest_ns / SECOND_NS)) * (SECOND_NS // 10)
    return replace(
        one,
        returns_ns=returns_ns,
        usual_ns=round(median(returns_ns)) if returns_ns else None,
        limit=limit,
        limit_ns=limit_ns,
    )


def _places(firsts: Sequence[Mapping[str, int]]) -> dict[str, int]:
    """Give each controller's ordinary place in the order of return, by the median of its first frames."""
    times: dict[str, list[int]] = {}
    for one in firsts:
        for name, t_ns in one.items():
            times.setdefault(name, []).append(t_ns)
    order = sorted(times, key=lambda name: (median(times[name]), name))
    return {name: place for place, name in enumerate(order, start=1)}


def _waits(firsts: Sequence[Mapping[str, int]]) -> dict[str, str]:
    """Find controllers whose start follows another one's far more closely than it follows anybody else's.

    The time from the one to the other varies little while that to all others varies; with few power-ups, or when all
    are equally regular, nothing is said.
    """
    names = sorted(set.intersection(*(set(one) for one in firsts))) if len(firsts) >= _FEWEST_FOR_ORDER else []
    waits: dict[str, str] = {}
    for name in names:
        spread = {other: stdev(one[name] - one[other] for one in firsts) for other in names if other != name}
        if len(spread) < 3:
            continue
        closest = min(spread, key=lambda other: (spread[other], other))
        rest = [value for other, value in spread.items() if other != closest]
        follows = all(one[name] > one[closest] for one in firsts)
        if follows and spread[closest] <= _TIED * min(rest):
            waits[name] = closest
    return waits
