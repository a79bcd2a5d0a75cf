"""From what was observed to the health of every controller.

Pure: changes nothing of what was observed but the cache of rhythms.
"""

from collections.abc import Sequence, Set
from dataclasses import replace
from typing import NamedTuple, TypeAlias

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.decode.protocols.sign import SignKind
from busdoc.health.incident import FramesAround, Gap, Incident, IncidentKind, Loss, RanOn
from busdoc.health.presence.bus_silence import BusSilence, find_bus_silences
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence, RecorderGaps, find_late, find_lost
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.least_start import believed_signs, least_start_ns
from busdoc.health.presence.loss_grouping import (
    SIGN_AFTER_NS,
    ControllerLoss,
    find_restarts,
    group_losses,
    incident_of,
    weighed_together,
)
from busdoc.health.presence.observations import Observations
from busdoc.health.presence.restart_evidence import RestartFinding, weigh_restart
from busdoc.health.presence.roll_call import controller_health, never_seen
from busdoc.health.presence.stream_grouping import group_streams
from busdoc.health.roll.roll import OwnerKind, can_be_cyclic, node_of
from busdoc.health.streams.rhythm import Rhythm, declared_rhythm, learn_rhythm, patient
from busdoc.health.summary import Health
from busdoc.times import SECOND_NS
from busdoc.words.duration import duration

__all__ = ["LossKey", "Settled", "judge"]

LossKey: TypeAlias = tuple[str, int, int | None]
"""(controller, last seen, back): names a loss while a live bus goes on."""


class Settled(NamedTuple):
    """What need not be worked out again of a loss whose return is long past."""

    found: RestartFinding
    frames: tuple[FramesAround, ...]


_ENOUGH = 100
"""Frames from which a rhythm hardly changes …"""
_NEARLY = 0.9
"""… while they are so many of those that came since."""
_MOST_STREAMS_SHOWN = 6
_MOST_FRAMES_SHOWN = 4
_WITH_RETURN_NS = SECOND_NS // 4
_GOING_NS = SECOND_NS
"""An orderly shutdown was announced at most so long before the last frame."""


def judge(
    observed: Observations,
    until_ns: int,
    open_gaps: Sequence[Gap] = (),
    *,
    settled: dict[LossKey, Settled] | None = None,
) -> Health:
    """Judge all controllers up to a moment.

    Parameters
    ----------
    observed : what was kept of the capture until then
    until_ns : how far was listened; not before the last frame
    open_gaps : gaps of the recorder that may still grow
    settled : what was found of returns that are long past, to be used and added to; None: weigh every return anew
    """
    start_ns = observed.start_ns if observed.start_ns is not None else until_ns
    proven = observed.proven_nodes()
    rhythms = [_rhythm(observed, row, proven, live=settled is not None) for row in range(observed.streams.n)]
    reported = _in_time([*observed.gaps, *open_gaps])
    controllers = _controllers(observed, rhythms, reported, until_ns)

    # what was lost with the whole bus, and what else was lost at once; those of one group tell of one another
    bus = find_bus_silences(observed, controllers, until_ns)
    on_bus = {id(absence) for silence in bus for _, absence in silence.absences}
    alone = {
        id(absence): _controller_loss(observed, one, absence, until_ns, settled)
        for one in controllers
        for absence in one.absences
    }
    bus_groups = [weighed_together([alone[id(absence)] for _, absence in silence.absences]) for silence in bus]
    groups = group_losses([loss for key, loss in alone.items() if key not in on_bus])
    groups = [weighed_together(group) for group in groups]
    losses = {id(loss.absence): loss for group in (*bus_groups, *groups) for loss in group}

    # the incidents, in the order of their onsets
    restarts = {one.name: find_restarts(one) for one in controllers}
    incidents = [_bus_incident(silence, group) for silence, group in zip(bus, bus_groups, strict=True)]
    incidents += [incident_of(IncidentKind.DROPOUT, group) for group in groups]
    incidents += [_capture_gap(gap) for gap in reported]
    for one in controllers:
        incidents += _late_incidents(observed, one, [silence.gap for silence in bus])
        incidents += restarts[one.name]
    incidents.sort(key=lambda incident: (incident.onset_ns, incident.controllers, incident.kind))

    fared = [
        controller_health(observed, one, rhythms, losses, on_bus, len(restarts[one.name]), start_ns, until_ns)
        for one in controllers
    ]
    return Health(
        start_ns=start_ns,
        until_ns=until_ns,
        frames=observed.frames,
        error_frames=observed.error_frames,
        controllers=(*fared, *never_seen(observed, controllers, start_ns, until_ns)),
        incidents=tuple(incidents),
        gaps=tuple(_in_time([*reported, *(silence.gap for silence in bus)])),
        warnings=_warnings(observed),
    )


def _controllers(
    observed: Observations, rhythms: Sequence[Rhythm], reported: Sequence[Gap], until_ns: int
) -> list[JudgedController]:
    """Put the streams together as controllers, and find when each was lost or late."""
    cyclic = {row: _cyclic_stream(observed, row, one, until_ns) for row, one in enumerate(rhythms) if one.cyclic}
    gaps_of = {channel: _gaps_on(channel, reported) for channel in observed.channel_row}
    controllers = group_streams(observed, cyclic, until_ns, gaps_of)
    for one in controllers:
        one.least_start_ns = least_start_ns(one)
        one.signs = believed_signs(one, until_ns)
        starts_ns = [sign.t_ns for sign in one.signs if not sign.asked]
        one.absences = find_lost(one.cyclic_streams, one.silences, starts_ns, gaps_of[one.channel], until_ns)
        one.late = find_late(one.cyclic_streams, one.absences, gaps_of[one.channel], until_ns)
    return controllers


def _in_time(gaps: Sequence[Gap]) -> list[Gap]:
    return sorted(gaps, key=lambda gap: (gap.from_ns, gap.to_ns, -1 if gap.channel is None else gap.channel))


def _gaps_on(channel: int, reported: Sequence[Gap]) -> RecorderGaps:
    return RecorderGaps([(gap.from_ns, gap.to_ns) for gap in reported if gap.channel in (None, channel)])


def _rhythm(observed: Observations, row: int, proven: Set[tuple[int, int]], *, live: bool) -> Rhythm:
    """Learn a stream's rhythm, or take what was learnt of it before.

    On a live bus that is judged ten times a second, a rhythm learnt from nearly as many frames is good enough.
    """
    # the same frames, or live nearly the same, have the rhythm that is known
    count = int(observed.streams.count[row])
    key, owner = observed.keys[row], observed.owners[row]
    canopen = (key.channel, node_of(key)) in proven
    cached = observed.rhythms.get(row)
    if cached is not None and cached[0] == (count, canopen):
        return cached[1]
    if live and cached is not None and cached[0][1] == canopen and _NEARLY * count <= cached[0][0] >= _ENOUGH:
        return cached[1]

    # what is event driven by its standard has none; else it is learnt, and what a map or database declares goes first
    streams = observed.streams
    if can_be_cyclic(key, canopen=canopen):
        rhythm = learn_rhythm(
            streams.interval_count[row],
            streams.interval_sum[row],
            streams.regular_count[row],
            streams.regular_sum[row],
            streams.sample_ns(row),
        )
        expected = observed.roll.expected(owner[2], key) if owner is not None and owner[0] == OwnerKind.SPEC else None
        if expected is not None and expected.period_ns:
            rhythm = declared_rhythm(expected.period_ns, expected.period_from, rhythm, count - 1)
    else:
        rhythm = Rhythm(
            cyclic=False, period_ns=None, jitter_ns=None, slowest_ns=None, deadline_ns=None, exact_period_ns=None
        )
    if rhythm.cyclic and not key.extended and (owner is None or (owner[0] == OwnerKind.NODE and not canopen)):
        rhythm = patient(rhythm)  # an identifier that nobody owns: a task that pauses for a frame or two is no loss
    observed.rhythms[row] = ((count, canopen), rhythm)
    return rhythm


def _cyclic_stream(observed: Observations, row: int, rhythm: Rhythm, until_ns: int) -> CyclicStream:
    """Give a stream with the silences that are longer than its rhythm allows, the one that still lasts included."""
    slowest_ns = rhythm.slowest_ns or 0
    silences = observed.streams.longer_than(row, slowest_ns)
    if until_ns - int(observed.streams.last_ns[row]) > slowest_ns:
        silences.append(observed.streams.open_silence(row))
    return CyclicStream(
        row=row,
        rhythm=rhythm,
        count=int(observed.streams.count[row]),
        first_ns=int(observed.streams.first_ns[row]),
        last_ns=int(observed.streams.last_ns[row]),
        silences=tuple(silences),
        silent_from_ns=tuple(silence.from_ns for silence in silences),
    )


def _controller_loss(
    observed: Observations,
    controller: JudgedController,
    absence: Absence,
    until_ns: int,
    settled: dict[LossKey, Settled] | None,
) -> ControllerLoss:
    """Say of one absence whether the controller restarted, by what was settled before or weighed now."""
    key = (controller.name, absence.last_seen_ns, absence.back_ns)
    past = settled.get(key) if settled is not None else None
    if past is None:
        past = Settled(found=_weigh(controller, absence), frames=_frames_around(observed, absence))
        settled_ns = _settled_ns(controller, absence)
        is_past = settled_ns is not None and until_ns > settled_ns + 2 * SIGN_AFTER_NS
        if settled is not None and is_past:
            settled[key] = past
    return ControllerLoss(
        loss=_loss(controller, absence, past.found, past.frames),
        channel=controller.channel,
        deadline_ns=absence.deadline_ns,
        absence=absence,
        least_start_ns=controller.least_start_ns,
    )


def _loss(
    controller: JudgedController,
    absence: Absence,
    found: RestartFinding,
    frames: tuple[FramesAround, ...] = (),
) -> Loss:
    return Loss(
        controller=controller.name,
        last_seen_ns=absence.last_seen_ns,
        onset_ns=absence.onset_ns,
        back_ns=absence.back_ns,
        steady_ns=absence.steady_ns,
        ran_on=found.ran_on,
        p_restarted=found.p_restarted,
        evidence=found.evidence,
        frames=frames,
    )


def _settled_ns(controller: JudgedController, absence: Absence) -> int | None:
    """Say from when on nothing more can be learnt of a return: it was in step, or was lost again before."""
    if absence.steady_ns is not None or absence.back_ns is None:
        return absence.steady_ns
    return next((later.last_seen_ns for later in controller.absences if later.last_seen_ns >= absence.back_ns), None)


def _frames_around(observed: Observations, absence: Absence) -> tuple[FramesAround, ...]:
    """Give the last frames of the quickest streams before a loss, and their first ones after it."""
    quickest = sorted(absence.streams, key=lambda silent: (silent[0].period_ns, silent[0].row))[:_MOST_STREAMS_SHOWN]
    found = []
    for stream, silence in quickest:
        length = observed.lengths[stream.row]
        before = _payloads(silence.before_ns, silence.before_data, length)[-_MOST_FRAMES_SHOWN:]
        after = _payloads(silence.after_ns, silence.after_data, length)[:_MOST_FRAMES_SHOWN]
        found.append(FramesAround(stream=observed.keys[stream.row], before=before, after=after))
    return tuple(found)


def _payloads(t_ns: Int64Array, data: UInt8Array, length: int) -> tuple[tuple[int, bytes], ...]:
    return tuple((at, payload.tobytes()[:length]) for at, payload in zip(t_ns.tolist(), data, strict=True))


def _weigh(controller: JudgedController, absence: Absence) -> RestartFinding:
    """Weigh a return with the signs that belong to it."""
    signs = []
    if absence.back_ns is not None:
        upto_ns = max(absence.back_ns, absence.steady_ns or absence.back_ns) + SIGN_AFTER_NS
        later = (one.last_seen_ns for one in controller.absences if one.last_seen_ns >= absence.back_ns)
        # what comes after the next loss speaks of that one, unless it came with the return
        upto_ns = max(min(upto_ns, next(later, upto_ns)), absence.back_ns + _WITH_RETURN_NS)
        signs = [
            sign
            for sign in controller.signs
            if absence.last_seen_ns - (_GOING_NS if sign.kind is SignKind.HEARTBEAT_LAST else 0) < sign.t_ns <= upto_ns
        ]
    announces = any(not sign.asked and sign not in signs for sign in controller.signs)
    return weigh_restart(absence, signs, announces, controller.least_start_ns)


def _bus_incident(bus: BusSilence, group: Sequence[ControllerLoss]) -> Incident:
    """Make one incident of a silent bus; a controller that was heard for a moment in between is one loss."""
    by_controller: dict[str, ControllerLoss] = {}
    for one in sorted(group, key=lambda one: one.loss.last_seen_ns):
        first = by_controller.get(one.loss.controller)
        if first is not None:
            one = replace(
                one, loss=replace(one.loss, last_seen_ns=first.loss.last_seen_ns, onset_ns=first.loss.onset_ns)
            )
        by_controller[one.loss.controller] = one
    lost = sorted(
        by_controller.values(), key=lambda one: (one.loss.onset_ns, one.loss.last_seen_ns, one.loss.controller)
    )
    incident = incident_of(IncidentKind.BUS_SILENCE, lost)
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


def _late_incidents(observed: Observations, controller: JudgedController, bus: Sequence[Gap]) -> list[Incident]:
    """Make an incident of each time that some streams were late, but for those that a silent bus explains."""
    incidents = []
    unknown = RestartFinding(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    for late in controller.late:
        if any(gap.channel in (None, controller.channel) and _overlaps(gap, late) for gap in bus):
            continue
        names = [f"{observed.keys[stream.row]} (every {duration(stream.period_ns)})" for stream, _ in late.streams]
        one = ControllerLoss(loss=_loss(controller, late, unknown), channel=controller.channel)
        incidents.append(incident_of(IncidentKind.LATE, [one], why=(f"missing: {', '.join(names)}",)))
    return incidents


def _overlaps(gap: Gap, late: Absence) -> bool:
    return late.last_seen_ns < gap.to_ns and (late.back_ns is None or gap.from_ns < late.back_ns)


def _warnings(observed: Observations) -> tuple[str, ...]:
    warnings = []
    if observed.own_frames:
        warnings.append(
            f"{observed.own_frames} frames were sent by the recorder itself and prove no controller's presence"
        )
    if observed.unwatched:
        warnings.append(
            f"{observed.unwatched} frames of identifiers beyond the first {observed.streams.n} were not watched"
        )
    return tuple(warnings)
