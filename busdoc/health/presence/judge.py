"""From what was observed to the health of every controller.

Pure: changes nothing of what was observed but the cache of rhythms.
"""

from collections.abc import Sequence, Set
from dataclasses import replace
from typing import NamedTuple, TypeAlias

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.incident import FramesAround, Gap, Incident, IncidentKind, Loss, RanOn
from busdoc.health.presence.bus_silence import BusSilence, find_bus_silences
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence, RecorderGaps, find_lost
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.lateness import paused_rows, told_late
from busdoc.health.presence.least_start import believed_signs, least_start_ns
from busdoc.health.presence.loss_grouping import (
    ControllerLoss,
    group_losses,
    incident_of,
    weighed_together,
)
from busdoc.health.presence.observations import Observations
from busdoc.health.presence.on_demand import comes_and_goes, is_ever_away, without_on_demand
from busdoc.health.presence.restart_evidence import RestartFinding, weigh_restart
from busdoc.health.presence.roll_call import controller_health, never_seen
from busdoc.health.presence.runs.run_rhythm import keeps_within_runs, learn_within_runs
from busdoc.health.presence.runs.starts import (
    LEAST_START_NS,
    SIGN_AFTER_NS,
    is_start,
    proven_absences,
    silences_before_starts,
)
from busdoc.health.presence.stream_grouping import channel_silences, group_streams
from busdoc.health.roll.roll import OwnerKind, can_be_cyclic, node_of
from busdoc.health.streams.rhythm import EVENT_DRIVEN, LONGEST_DEADLINE, Rhythm, declared_rhythm, learn_rhythm, patient
from busdoc.health.streams.silence import Silence
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import Identity, PeriodFrom
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted, first_few, listed
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
_MOST_PAUSED_SHOWN = 4
_WITH_RETURN_NS = SECOND_NS // 4
_OFTEN_AWAY = 3
_FAR_BEYOND = 2
_JOINS_AFTER_NS = 10 * SECOND_NS
_TOGETHER_NS = 3 * SECOND_NS
"""Controllers that are switched on together are all heard within this (common practice)."""
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
    brief = {key: loss for key, loss in alone.items() if key not in on_bus and not _is_missed(loss)}
    groups = group_losses([loss for key, loss in alone.items() if key not in on_bus and key not in brief])
    groups = [weighed_together(group) for group in groups]
    losses = {id(loss.absence): loss for group in (*bus_groups, *groups, brief.values()) for loss in group}

    # the incidents, in the order of their onsets
    incidents = [_bus_incident(silence, group, until_ns) for silence, group in zip(bus, bus_groups, strict=True)]
    incidents += [_dropout(controllers, group) for group in groups]
    incidents += [incident_of(IncidentKind.RESTART, [loss]) for loss in brief.values()]
    incidents += [_capture_gap(gap) for gap in reported]
    for one in controllers:
        incidents += _late_incidents(observed, one, [silence.gap for silence in bus])
    incidents.sort(key=lambda incident: (incident.onset_ns, incident.controllers, incident.kind))

    fared = [controller_health(observed, one, rhythms, losses, on_bus, start_ns, until_ns) for one in controllers]
    return Health(
        start_ns=start_ns,
        until_ns=until_ns,
        frames=observed.frames,
        error_frames=observed.error_frames,
        controllers=(*fared, *never_seen(observed, controllers, start_ns, until_ns)),
        incidents=tuple(incidents),
        gaps=tuple(_in_time([*reported, *(silence.gap for silence in bus)])),
        warnings=_warnings(observed, controllers),
    )


def _controllers(
    observed: Observations, rhythms: list[Rhythm], reported: Sequence[Gap], until_ns: int
) -> list[JudgedController]:
    """Put the streams together as controllers, and find when each was lost or late."""
    cyclic = {row: _cyclic_stream(observed, row, one, until_ns) for row, one in enumerate(rhythms) if one.cyclic}
    gaps_of = {channel: _gaps_on(channel, reported) for channel in observed.channel_row}
    controllers = group_streams(observed, cyclic, until_ns, gaps_of)
    for one in controllers:
        announced = silences_before_starts(one.silences, one.signs)
        _learn_within_runs(observed, one, rhythms, [before.silence for before in announced], until_ns)
        looked_cyclic = one.cyclic_streams
        away = [before.silence for before in announced]
        kept = without_on_demand(one.cyclic_streams, one.silences, until_ns, away)
        learnt = all(stream.rhythm.period_from is PeriodFrom.LEARNT for stream in kept)
        known = announced or one.spec is not None  # who is on the map belongs to the machine, and is there with it
        if kept and learnt and not known and is_ever_away(kept, one.silences, until_ns):
            joined_alone = _joined_alone(observed, one, controllers)
            bus = channel_silences(observed, one.channel)
            kept = [] if comes_and_goes(kept, one.silences, bus, until_ns, joined_alone=joined_alone) else kept
        if len(kept) < len(one.cyclic_streams):
            for row in {stream.row for stream in one.cyclic_streams} - {stream.row for stream in kept}:
                rhythms[row] = EVENT_DRIVEN
            one.cyclic_streams = kept
        one.least_start_ns = least_start_ns(one)
        proven = proven_absences(announced, one.silences, one.cyclic_streams, _ordinary_ns(observed, one))
        believed = _believed(one, [before.sign for before in proven], until_ns)
        one.claims_freely = believed != one.signs
        one.signs = believed
        one.absences = find_lost(
            one.cyclic_streams,
            one.silences,
            [sign.t_ns for sign in one.signs if not sign.asked],
            gaps_of[one.channel],
            until_ns,
            [before.silence for before in proven],
        )
        one.late = told_late(one.cyclic_streams, one.absences, gaps_of[one.channel], until_ns, one.silences)
        one.paused_rows = paused_rows(one, looked_cyclic) if one.cyclic_streams else []
    return controllers


def _joined_alone(observed: Observations, one: JudgedController, controllers: Sequence[JudgedController]) -> bool:
    """Tell whether a controller was first heard in mid-recording, as no other one was or said that it starts."""
    if observed.start_ns is None or one.first_ns - observed.start_ns <= _JOINS_AFTER_NS:
        return False
    if any(is_start(sign) and abs(sign.t_ns - one.first_ns) <= _TOGETHER_NS for sign in observed.signs):
        return False
    return not any(abs(other.first_ns - one.first_ns) <= _TOGETHER_NS for other in controllers if other is not one)


def _believed(one: JudgedController, proven: Sequence[Sign], until_ns: int) -> list[Sign]:
    """Give the controller's signs, those that prove no start marked as asked for."""
    sure = {id(sign) for sign in proven}
    return [
        sign if id(sign) in sure else told for sign, told in zip(one.signs, believed_signs(one, until_ns), strict=True)
    ]


def _ordinary_ns(observed: Observations, one: JudgedController) -> Int64Array | None:
    """Give when a controller sent what is no claim, answer or the like, ascending; None: too often to be kept."""
    canopen = one.identity.node_id is not None
    ordinary = [row for row in one.rows if can_be_cyclic(observed.keys[row], canopen=canopen)]
    arrivals = [observed.sparse.of(row) for row in ordinary]
    kept = [t_ns for t_ns in arrivals if t_ns is not None]
    return np.sort(np.concatenate([*kept, np.empty(0, np.int64)])) if len(kept) == len(arrivals) else None


def _learn_within_runs(
    observed: Observations, one: JudgedController, rhythms: list[Rhythm], breaks: Sequence[Silence], until_ns: int
) -> None:
    """Learn the rhythms of a controller that was away again and again from the time between its absences."""
    if len(breaks) < _OFTEN_AWAY:  # once or twice changes no rhythm
        breaks = _breaks_of_the_declared(observed, one, rhythms)
    if len(breaks) < _OFTEN_AWAY:
        return
    for row in one.rows:
        key = observed.keys[row]
        if not can_be_cyclic(key, canopen=one.identity.node_id is not None):
            continue
        learnt, n_intervals = learn_within_runs(observed.streams, row, breaks)
        rhythms[row] = _declared(observed, row, learnt, n_intervals)
    one.cyclic_streams = [
        _cyclic_stream(observed, row, rhythms[row], until_ns) for row in one.rows if rhythms[row].cyclic
    ]


def _breaks_of_the_declared(observed: Observations, one: JudgedController, rhythms: Sequence[Rhythm]) -> list[Silence]:
    """Give the silences longer than declared periods allow, of a controller whose streams seem to have another rhythm.

    A number in a map or a database may be wrong: what the streams do between the silences must show it.
    """
    declared = {row: observed.declared(row) for row in one.rows}
    periods_ns = {
        row: said.period_ns
        for row, said in declared.items()
        if said is not None and said.period_ns and not _keeps(rhythms[row], said.period_ns)
    }
    if not periods_ns:
        return []
    limit_ns = max(LEAST_START_NS, round(LONGEST_DEADLINE * min(periods_ns.values())))
    breaks = [one for one in one.silences if one.to_ns is not None and one.to_ns - one.from_ns > limit_ns]
    if any(keeps_within_runs(observed.streams, row, breaks, period_ns) for row, period_ns in periods_ns.items()):
        return breaks
    return []


def _is_missed(loss: ControllerLoss) -> bool:
    return loss.absence is None or loss.absence.missed


def _keeps(rhythm: Rhythm, period_ns: int) -> bool:
    """Tell whether a rhythm is that of a declared period, without pauses that the fault itself may have taught."""
    return rhythm.cyclic and (rhythm.deadline_ns or 0) <= _FAR_BEYOND * LONGEST_DEADLINE * period_ns


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
        rhythm = _declared(observed, row, rhythm, count - 1)
    else:
        rhythm = EVENT_DRIVEN
    if rhythm.cyclic and not key.extended and (owner is None or (owner[0] == OwnerKind.NODE and not canopen)):
        rhythm = patient(rhythm)  # an identifier that nobody owns: a task that pauses for a frame or two is no loss
    observed.rhythms[row] = ((count, canopen), rhythm)
    return rhythm


def _declared(observed: Observations, row: int, learnt: Rhythm, n_intervals: int) -> Rhythm:
    """Hold what a map or a database says of a stream against what was learnt of it; that is all where they say nothing.

    Parameters
    ----------
    n_intervals : that it was learnt from
    """
    said = observed.declared(row)
    if said is None or not said.period_ns:
        return learnt
    return declared_rhythm(said.period_ns, said.period_from, learnt, n_intervals)


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
        announced=absence.announced,
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
        again_ns = [later.last_seen_ns for later in controller.absences if later.last_seen_ns >= absence.back_ns]
        # what it said after that belongs to the next start, unless it came with the return
        upto_ns = max(min([upto_ns, *again_ns]), absence.back_ns + _WITH_RETURN_NS)
        signs = [
            sign
            for sign in controller.signs
            if absence.last_seen_ns - (_GOING_NS if sign.kind is SignKind.HEARTBEAT_LAST else 0) < sign.t_ns <= upto_ns
        ]
    announces = any(not sign.asked and sign not in signs for sign in controller.signs)
    return weigh_restart(absence, signs, announces, controller.least_start_ns, claims_freely=controller.claims_freely)


def _bus_incident(bus: BusSilence, group: Sequence[ControllerLoss], until_ns: int) -> Incident:
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
    gap = bus.gap
    lasts = all(one.loss.back_ns is None for one in lost) and gap.to_ns >= until_ns
    return replace(
        incident,
        channel=gap.channel,
        last_seen_ns=gap.from_ns,
        onset_ns=min(max(incident.onset_ns, gap.from_ns), gap.to_ns),
        back_ns=None if lasts else gap.to_ns,  # heard again is the bus, by whomever; each controller has its own return
    )


def _dropout(controllers: Sequence[JudgedController], group: Sequence[ControllerLoss]) -> Incident:
    """Make one incident of a dropout; of several controllers, say of how many on their channels."""
    incident = incident_of(IncidentKind.DROPOUT, group)
    if len(group) == 1:
        return incident
    fell = {one.loss.controller for one in group}
    channels = {one.channel for one in group}
    at_ns = incident.last_seen_ns
    others = sum(
        one.name not in fell
        and one.channel in channels
        and one.first_ns <= at_ns
        and bool(one.cyclic_streams)
        and not any(
            absence.last_seen_ns < at_ns and (absence.back_ns is None or absence.back_ns > at_ns)
            for absence in one.absences
        )
        for one in controllers
    )
    return replace(incident, among=len(fell) + others)


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
        incidents.append(
            incident_of(IncidentKind.LATE, [one], why=(f"missing: {first_few(names, _MOST_STREAMS_SHOWN)}",))
        )
    return incidents


def _overlaps(gap: Gap, late: Absence) -> bool:
    return late.last_seen_ns < gap.to_ns and (late.back_ns is None or gap.from_ns < late.back_ns)


def _is_unnamed(observed: Observations, one: JudgedController) -> bool:
    """Tell whether all that is known of a controller is that its 11-bit identifiers come and go together."""
    return (
        one.spec is None
        and one.identity == Identity()
        and not any(observed.keys[row].extended for row in one.rows)
        and all(stream.rhythm.period_from is PeriodFrom.LEARNT for stream in one.cyclic_streams)
    )


def _warnings(observed: Observations, controllers: Sequence[JudgedController]) -> tuple[str, ...]:
    warnings = []
    paused = [
        f"{observed.keys[row]} of {one.name}"
        for one in controllers
        for row in one.paused_rows
        if one.spec is None or (observed.keys[row].id, observed.keys[row].extended) not in one.spec.unsteady
    ]
    if paused:
        warnings.append(
            f"{counted(len(paused), 'stream')} stopped for long while the controller went on: on demand, or a part of "
            f"it that failed; a map or database with the periods tells ({first_few(paused, _MOST_PAUSED_SHOWN)})"
        )
    unnamed = [one.name for one in controllers if one.absences and _is_unnamed(observed, one)]
    if unnamed:
        warnings.append(
            f"No map, database or protocol says who sends {listed(unnamed, _MOST_PAUSED_SHOWN)}: "
            f"what is sent on demand stops like that too, with nothing wrong"
        )
    if observed.own_frames:
        warnings.append(
            f"{observed.own_frames} frames were sent by the recorder itself and prove no controller's presence"
        )
    if observed.unwatched:
        warnings.append(
            f"{observed.unwatched} frames of identifiers beyond the first {observed.streams.n} were not watched"
        )
    return tuple(warnings)
