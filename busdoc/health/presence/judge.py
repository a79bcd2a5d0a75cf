"""Judgement: from what was remembered to the health of every controller.

Pure: reads the memory, changes nothing in it but the cache of rhythms.
"""

from collections.abc import Sequence, Set
from dataclasses import replace
from typing import NamedTuple, TypeAlias

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.decode.protocols.sign import SignKind
from busdoc.health.incident import FramesAround, Gap, Incident, IncidentKind, Loss, RanOn
from busdoc.health.presence.bus_silence import BusSilence, find_bus_silences
from busdoc.health.presence.cyclic_stream import Beat
from busdoc.health.presence.judged_controller import Member
from busdoc.health.presence.loss_grouping import (
    SIGN_AFTER_NS,
    ControllerLoss,
    find_restarts,
    incident_of,
    together,
    weighed_together,
)
from busdoc.health.presence.observations import Memory
from busdoc.health.presence.presence import Excuses, Fall, find_late, find_lost
from busdoc.health.presence.restart import Return, weigh_return
from busdoc.health.presence.roll_call import call, never_seen
from busdoc.health.presence.stream_grouping import muster
from busdoc.health.roll.roll import ClaimKind, can_be_cyclic, node_of
from busdoc.health.streams.rhythm import Rhythm, declared_rhythm, learn_rhythm
from busdoc.health.summary import Health
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["LossKey", "Settled", "judge"]

LossKey: TypeAlias = tuple[str, int, int | None]
"""(controller, last seen, back): names a loss while a live bus goes on."""


class Settled(NamedTuple):
    """What need not be worked out again of a loss whose return is long past."""

    found: Return
    frames: tuple[FramesAround, ...]


_ENOUGH = 100
"""Frames from which a rhythm hardly changes …"""
_NEARLY = 0.9
"""… while they are so many of those that came since."""
_MOST_STREAMS_SHOWN = 6
_MOST_FRAMES_SHOWN = 4
_GOING_NS = SECOND_NS
"""An orderly shutdown was announced at most so long before the last frame."""


def judge(
    memory: Memory, until_ns: int, open_gaps: Sequence[Gap] = (), *, settled: dict[LossKey, Settled] | None = None
) -> Health:
    """Judge all controllers up to a moment.

    Parameters
    ----------
    memory : what was remembered until then
    until_ns : how far was listened; not before the last frame
    open_gaps : gaps of the recorder that may still grow
    settled : what was found of returns that are long past, to be used and added to; None: weigh every return anew
    """
    start_ns = memory.start_ns if memory.start_ns is not None else until_ns
    proven = memory.proven_nodes()
    live = settled is not None
    rhythms = [_rhythm(memory, row, proven, live=live) for row in range(memory.streams.n)]
    beats = {row: _beat(memory, row, rhythm, until_ns) for row, rhythm in enumerate(rhythms) if rhythm.cyclic}
    reported = sorted([*memory.gaps, *open_gaps], key=lambda gap: (gap.from_ns, gap.to_ns, gap.channel or -1))
    excuses = {channel: _excuses(reported, channel) for channel in memory.channel_row}
    members = muster(memory, beats, until_ns, excuses)
    for member in members:
        starts_ns = [sign.t_ns for sign in member.signs if not sign.asked]
        member.falls = find_lost(member.beats, member.silences, starts_ns, excuses[member.channel], until_ns)
        member.late = find_late(member.beats, member.falls, excuses[member.channel], until_ns)
    losses = {
        id(fall): _controller_loss(memory, member, fall, until_ns, settled)
        for member in members
        for fall in member.falls
    }
    bus = find_bus_silences(memory, members, until_ns)
    on_bus = {id(fall) for one in bus for _, fall in one.falls}
    groups = [[losses[id(fall)] for _, fall in one.falls] for one in bus]
    groups += together([loss for key, loss in losses.items() if key not in on_bus])
    groups = [weighed_together(group) for group in groups]
    losses = {id(loss.fall): loss for group in groups for loss in group}
    incidents = [_bus_incident(one, group) for one, group in zip(bus, groups[: len(bus)], strict=True)]
    incidents += [incident_of(IncidentKind.DROPOUT, group) for group in groups[len(bus) :]]
    restarts = {member.name: find_restarts(member) for member in members}
    for member in members:
        incidents += _late_incidents(memory, member, [one.gap for one in bus])
        incidents += restarts[member.name]
    incidents += [_capture_gap(gap) for gap in reported]
    incidents.sort(key=lambda incident: (incident.onset_ns, incident.controllers, incident.kind))
    controllers = [
        call(memory, member, rhythms, losses, on_bus, len(restarts[member.name]), start_ns, until_ns)
        for member in members
    ]
    gaps = [*reported, *(one.gap for one in bus)]
    return Health(
        start_ns=start_ns,
        until_ns=until_ns,
        frames=memory.frames,
        error_frames=memory.error_frames,
        controllers=(*controllers, *never_seen(memory, members, start_ns, until_ns)),
        incidents=tuple(incidents),
        gaps=tuple(sorted(gaps, key=lambda gap: (gap.from_ns, gap.to_ns, gap.channel or -1))),
        warnings=_warnings(memory),
    )


# Streams


def _rhythm(memory: Memory, row: int, proven: Set[tuple[int, int]], *, live: bool) -> Rhythm:
    """Learn a stream's rhythm, or take what was learnt of it before.

    On a live bus that is judged ten times a second, a rhythm learnt from nearly as many frames is good enough.
    """
    count = int(memory.streams.count[row])
    key, claim = memory.keys[row], memory.claims[row]
    canopen = (key.channel, node_of(key)) in proven
    cached = memory.rhythms.get(row)
    if cached is not None and cached[0] == (count, canopen):
        return cached[1]
    if live and cached is not None and cached[0][1] == canopen and _NEARLY * count <= cached[0][0] >= _ENOUGH:
        return cached[1]
    streams = memory.streams
    if can_be_cyclic(key, canopen=canopen):
        rhythm = learn_rhythm(
            streams.interval_count[row],
            streams.interval_sum[row],
            streams.regular_count[row],
            streams.regular_sum[row],
            streams.sample_ns(row),
        )
        expected = memory.roll.expected(claim[2], key) if claim is not None and claim[0] == ClaimKind.SPEC else None
        if expected is not None and expected.period_ns:
            rhythm = declared_rhythm(expected.period_ns, expected.period_from, rhythm, count - 1)
    else:
        rhythm = Rhythm(
            cyclic=False, period_ns=None, jitter_ns=None, slowest_ns=None, deadline_ns=None, exact_period_ns=None
        )
    memory.rhythms[row] = ((count, canopen), rhythm)
    return rhythm


def _beat(memory: Memory, row: int, rhythm: Rhythm, until_ns: int) -> Beat:
    slowest_ns = rhythm.slowest_ns or 0
    silences = memory.streams.longer_than(row, min(slowest_ns, rhythm.deadline_ns or 0))
    if until_ns - int(memory.streams.last_ns[row]) > slowest_ns:
        silences.append(memory.streams.open_silence(row))
    return Beat(
        row=row,
        rhythm=rhythm,
        count=int(memory.streams.count[row]),
        first_ns=int(memory.streams.first_ns[row]),
        last_ns=int(memory.streams.last_ns[row]),
        silences=tuple(silences),
        starts=tuple(silence.from_ns for silence in silences),
    )


def _excuses(reported: Sequence[Gap], channel: int | None) -> Excuses:
    return Excuses(
        [
            (gap.from_ns, gap.to_ns)
            for gap in reported
            if gap.channel is None or channel is None or gap.channel == channel
        ]
    )


# Incidents


def _controller_loss(
    memory: Memory, member: Member, fall: Fall, until_ns: int, settled: dict[LossKey, Settled] | None
) -> ControllerLoss:
    key = (member.name, fall.last_seen_ns, fall.back_ns)
    past = settled.get(key) if settled is not None else None
    if past is None:
        past = Settled(found=_weigh(member, fall), frames=_frames_around(memory, fall))
        settled_ns = _settled_ns(member, fall)
        is_past = settled_ns is not None and until_ns > settled_ns + 2 * SIGN_AFTER_NS
        if settled is not None and is_past:
            settled[key] = past
    found = past.found
    return ControllerLoss(
        loss=Loss(
            controller=member.name,
            last_seen_ns=fall.last_seen_ns,
            onset_ns=fall.onset_ns,
            back_ns=fall.back_ns,
            steady_ns=fall.steady_ns,
            ran_on=found.ran_on,
            p_restarted=found.p_restarted,
            evidence=found.evidence,
            frames=past.frames,
        ),
        channel=member.channel,
        deadline_ns=fall.deadline_ns,
        fall=fall,
    )


def _settled_ns(member: Member, fall: Fall) -> int | None:
    """Say from when on nothing more can be learnt of a return: it was in step, or was lost again before."""
    if fall.steady_ns is not None or fall.back_ns is None:
        return fall.steady_ns
    return next((later.last_seen_ns for later in member.falls if later.last_seen_ns >= fall.back_ns), None)


def _frames_around(memory: Memory, fall: Fall) -> tuple[FramesAround, ...]:
    """Give the last frames of the quickest streams before a loss, and their first ones after it."""
    quickest = sorted(fall.streams, key=lambda stream: (stream[0].period_ns, stream[0].row))[:_MOST_STREAMS_SHOWN]
    return tuple(
        FramesAround(
            stream=memory.keys[beat.row],
            before=_payloads(silence.before_ns, silence.before_data, memory.lengths[beat.row])[-_MOST_FRAMES_SHOWN:],
            after=_payloads(silence.after_ns, silence.after_data, memory.lengths[beat.row])[:_MOST_FRAMES_SHOWN],
        )
        for beat, silence in quickest
    )


def _payloads(t_ns: Int64Array, data: UInt8Array, length: int) -> tuple[tuple[int, bytes], ...]:
    return tuple((at, payload.tobytes()[:length]) for at, payload in zip(t_ns.tolist(), data, strict=True))


def _weigh(member: Member, fall: Fall) -> Return:
    """Weigh a return with the signs that belong to it."""
    signs = []
    if fall.back_ns is not None:
        upto_ns = max(fall.back_ns, fall.steady_ns or fall.back_ns) + SIGN_AFTER_NS
        signs = [
            sign
            for sign in member.signs
            if fall.last_seen_ns - (_GOING_NS if sign.kind is SignKind.HEARTBEAT_LAST else 0) < sign.t_ns <= upto_ns
        ]
    announces = any(not sign.asked and sign not in signs for sign in member.signs)
    return weigh_return(fall, signs, announces)


def _bus_incident(bus: BusSilence, losses: Sequence[ControllerLoss]) -> Incident:
    """Make one incident of a silent bus; a controller that was heard for a moment in between is one loss."""
    by_controller: dict[str, ControllerLoss] = {}
    for one in sorted(losses, key=lambda one: one.loss.last_seen_ns):
        first = by_controller.get(one.loss.controller)
        if first is not None:
            one = replace(
                one, loss=replace(one.loss, last_seen_ns=first.loss.last_seen_ns, onset_ns=first.loss.onset_ns)
            )
        by_controller[one.loss.controller] = one
    members = sorted(
        by_controller.values(), key=lambda one: (one.loss.onset_ns, one.loss.last_seen_ns, one.loss.controller)
    )
    incident = incident_of(IncidentKind.BUS_SILENCE, members)
    from_ns = bus.gap.from_ns
    return replace(incident, channel=bus.gap.channel, last_seen_ns=from_ns, onset_ns=max(incident.onset_ns, from_ns))


def _capture_gap(gap: Gap) -> Incident:
    return Incident(
        kind=IncidentKind.CAPTURE_GAP,
        channel=gap.channel,
        controllers=(),
        last_seen_ns=gap.from_ns,
        onset_ns=gap.from_ns,
        back_ns=gap.to_ns,
        steady_ns=gap.to_ns,
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
        why=(gap.why,) if gap.why else (),
    )


def _late_incidents(memory: Memory, member: Member, bus: Sequence[Gap]) -> list[Incident]:
    incidents = []
    for late in member.late:
        end_ns = late.back_ns
        if any(
            gap.channel in (None, member.channel)
            and gap.from_ns < (end_ns if end_ns is not None else gap.to_ns + 1)
            and gap.to_ns > late.last_seen_ns
            for gap in bus
        ):
            continue
        names = ", ".join(f"{memory.keys[beat.row]} (every {_duration(beat.period_ns)})" for beat, _ in late.streams)
        incidents.append(
            incident_of(
                IncidentKind.LATE,
                [
                    ControllerLoss(
                        loss=Loss(
                            controller=member.name,
                            last_seen_ns=late.last_seen_ns,
                            onset_ns=late.onset_ns,
                            back_ns=late.back_ns,
                            steady_ns=late.steady_ns,
                            ran_on=RanOn.UNKNOWN,
                            p_restarted=None,
                        ),
                        channel=member.channel,
                        deadline_ns=late.deadline_ns,
                        fall=late,
                    )
                ],
                why=(f"missing: {names}",),
            )
        )
    return incidents


def _duration(lasts_ns: int) -> str:
    return f"{lasts_ns / SECOND_NS:.1f} s" if lasts_ns >= 995 * MILLISECOND_NS else f"{lasts_ns / 1e6:.0f} ms"


def _warnings(memory: Memory) -> tuple[str, ...]:
    warnings = []
    if memory.own_frames:
        warnings.append(
            f"{memory.own_frames} frames were sent by the recorder itself and prove no controller's presence"
        )
    if memory.unwatched:
        warnings.append(
            f"{memory.unwatched} frames of identifiers beyond the first {memory.streams.n} were not watched"
        )
    return tuple(warnings)
