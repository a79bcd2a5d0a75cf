"""Judgement: from what was remembered to the health of every controller.

Pure: reads the memory, changes nothing in it but the cache of rhythms.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.decode.sign import Sign, SignKind
from busdoc.health.company import LoneStream, keep_company
from busdoc.health.controller import (
    ControllerHealth,
    ControllerSpec,
    ControllerState,
    Identity,
    PeriodFrom,
    StreamHealth,
)
from busdoc.health.falling import ControllerLoss, incident_of, together
from busdoc.health.incident import Gap, GapKind, Incident, IncidentKind, Loss, RanOn
from busdoc.health.memory import Memory
from busdoc.health.presence import Beat, Excuses, Fall, find_late, find_lost
from busdoc.health.restart import weigh_return
from busdoc.health.rhythm import Rhythm, declared_rhythm, learn_rhythm
from busdoc.health.roll import Claim, ClaimKind, can_be_cyclic
from busdoc.health.silence import Silence
from busdoc.health.summary import Health

__all__ = ["judge"]

_SIGN_AFTER_NS = 5_000_000_000
"""A sign of a start belongs to a loss until so long after the return (common practice)."""
_GOING_NS = 1_000_000_000
"""An orderly shutdown was announced at most so long before the last frame."""
_STARTUP_NS = 5_000_000_000
"""Signs within so long after a controller's first frame are its start, not another one."""


@dataclass(slots=True, kw_only=True)
class _Member:
    """One controller while it is being judged."""

    name: str
    channel: int | None
    identity: Identity
    spec: ControllerSpec | None
    rows: list[int]
    group_rows: list[int]
    beats: list[Beat]
    silences: list[Silence]
    signs: list[Sign]
    falls: list[Fall]
    late: list[Fall]


def judge(memory: Memory, until_ns: int, open_gaps: Sequence[Gap] = ()) -> Health:
    """Judge all controllers up to a moment."""
    start_ns = memory.start_ns if memory.start_ns is not None else until_ns
    rhythms = [_rhythm(memory, row) for row in range(memory.streams.n)]
    beats = {row: _beat(memory, row, rhythms[row], until_ns) for row in range(memory.streams.n) if rhythms[row].cyclic}
    reported = sorted([*memory.gaps, *open_gaps], key=lambda gap: (gap.from_ns, gap.to_ns, gap.channel or -1))
    members = _muster(memory, beats, until_ns, reported)
    for member in members:
        excuses = _excuses(reported, member.channel)
        starts_ns = [sign.t_ns for sign in member.signs if not sign.asked]
        member.falls = find_lost(member.beats, member.silences, starts_ns, excuses, until_ns)
        member.late = find_late(member.beats, member.falls, excuses, until_ns)
    incidents: list[Incident] = []
    losses = {id(fall): _controller_loss(member, fall) for member in members for fall in member.falls}
    bus, on_bus = _bus_silences(memory, members, losses, rhythms, until_ns)
    incidents += [incident for _, incident in bus]
    gaps = [*reported, *(gap for gap, _ in bus)]
    lone = [
        loss for member in members for fall in member.falls if id(fall) not in on_bus for loss in [losses[id(fall)]]
    ]
    incidents += [incident_of(IncidentKind.DROPOUT, group) for group in together(lone)]
    for member in members:
        incidents += _late_incidents(member, bus)
    restarts = {
        member.name: _restarts(member, min(int(memory.streams.first_ns[row]) for row in member.rows))
        for member in members
    }
    incidents += [incident for found in restarts.values() for incident in found]
    incidents += [
        Incident(
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
        for gap in reported
    ]
    incidents.sort(key=lambda incident: (incident.onset_ns, incident.controllers, incident.kind))
    controllers = [
        _health(memory, member, rhythms, losses, on_bus, len(restarts[member.name]), start_ns, until_ns)
        for member in members
    ]
    controllers += _never_seen(memory, members, start_ns, until_ns)
    return Health(
        start_ns=start_ns,
        until_ns=until_ns,
        frames=memory.frames,
        error_frames=memory.error_frames,
        controllers=tuple(controllers),
        incidents=tuple(incidents),
        gaps=tuple(sorted(gaps, key=lambda gap: (gap.from_ns, gap.to_ns))),
        warnings=_warnings(memory),
    )


# Streams


def _rhythm(memory: Memory, row: int) -> Rhythm:
    count = int(memory.streams.count[row])
    cached = memory.rhythms.get(row)
    if cached is not None and cached[0] == count:
        return cached[1]
    streams = memory.streams
    key, claim = memory.keys[row], memory.claims[row]
    if can_be_cyclic(key):
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
    memory.rhythms[row] = (count, rhythm)
    return rhythm


def _beat(memory: Memory, row: int, rhythm: Rhythm, until_ns: int) -> Beat:
    slowest_ns = rhythm.slowest_ns or 0
    silences = memory.streams.longer_than(row, min(slowest_ns, rhythm.deadline_ns or 0))
    if until_ns - int(memory.streams.last_ns[row]) > slowest_ns:
        silences.append(memory.streams.open_silence(row))
    return Beat(row=row, rhythm=rhythm, silences=tuple(silences), starts=tuple(silence.from_ns for silence in silences))


def _excuses(reported: Sequence[Gap], channel: int | None) -> Excuses:
    return Excuses(
        [
            (gap.from_ns, gap.to_ns)
            for gap in reported
            if gap.channel is None or channel is None or gap.channel == channel
        ]
    )


# Controllers


def _muster(memory: Memory, beats: dict[int, Beat], until_ns: int, reported: Sequence[Gap]) -> list[_Member]:
    """Put streams together as controllers, in the order of the specs, then of their first frames."""
    names_of = _names_by_address(memory)
    proven = {
        (memory.keys[row].channel, memory.keys[row].id & 0x7F) for row, is_one in memory.one_byte.items() if is_one
    }
    by_spec_name = {
        spec.identity.can_name: number
        for number, spec in enumerate(memory.roll.specs)
        if spec.identity.can_name is not None and spec.identity.address is None
    }
    rows_of: dict[Claim, list[int]] = {}
    alone: list[int] = []
    for row, claim in enumerate(memory.claims):
        if claim is None:
            if not memory.keys[row].extended:
                alone.append(row)
            continue
        kind, channel, number = claim
        if kind == ClaimKind.NODE and (channel, number) not in proven:
            alone.append(row)
            continue
        if kind == ClaimKind.ADDRESS:
            named = by_spec_name.get(names_of.get((channel, number), -1))
            if named is not None and memory.roll.is_on(memory.roll.specs[named], channel):
                claim = (ClaimKind.SPEC, -1, named)
        rows_of.setdefault(claim, []).append(row)
    order = sorted(
        rows_of, key=lambda claim: (claim[0] != ClaimKind.SPEC, claim[2] if claim[0] == ClaimKind.SPEC else 0)
    )
    first_channel = memory.keys[0].channel if memory.keys else 0
    members = [_claimed(memory, claim, rows_of[claim], beats, names_of, first_channel, until_ns) for claim in order]
    members += _unclaimed(memory, alone, beats, first_channel, until_ns, reported)
    return members


def _names_by_address(memory: Memory) -> dict[tuple[int, int], int]:
    """Give the last NAME claimed for each (channel, address)."""
    return {
        (sign.channel, sign.address): sign.can_name
        for sign in memory.signs
        if sign.kind is SignKind.ADDRESS_CLAIM and sign.address is not None and sign.can_name is not None
    }


def _claimed(
    memory: Memory,
    claim: Claim,
    rows: list[int],
    beats: dict[int, Beat],
    names_of: dict[tuple[int, int], int],
    first_channel: int,
    until_ns: int,
) -> _Member:
    kind, _, number = claim
    channel = memory.keys[rows[0]].channel
    place = "" if channel == first_channel else f" on {memory.roll.channel_name(channel)}"
    spec = None
    if kind == ClaimKind.SPEC:
        spec = memory.roll.specs[number]
        name, identity = spec.name, spec.identity
        addresses = {memory.keys[row].id & 0xFF for row in rows if memory.keys[row].extended}
        if identity.address is None and len(addresses) == 1 and identity.can_name is not None:
            identity = replace(identity, address=addresses.pop())
    elif kind == ClaimKind.ADDRESS:
        name, identity = f"address 0x{number:02X}{place}", Identity(address=number)
    else:
        name, identity = f"node {number}{place}", Identity(node_id=number)
    if identity.address is not None and identity.can_name is None:
        identity = replace(identity, can_name=names_of.get((channel, identity.address)))
    group_rows = list(dict.fromkeys(memory.group_of[row] for row in rows))
    return _Member(
        name=name,
        channel=channel,
        identity=identity,
        spec=spec,
        rows=rows,
        group_rows=group_rows,
        beats=[beats[row] for row in rows if row in beats],
        silences=_common([_group_silences(memory, row, until_ns) for row in group_rows]),
        signs=_signs_of(memory, channel, identity),
        falls=[],
        late=[],
    )


def _group_silences(memory: Memory, row: int, until_ns: int) -> list[Silence]:
    silences = memory.groups.silences(row)
    if until_ns > int(memory.groups.last_ns[row]):
        silences.append(memory.groups.open_silence(row))
    return silences


def _common(tracks: list[list[Silence]]) -> list[Silence]:
    """Give the stretches in which all tracks were silent."""
    common = tracks[0]
    for other in tracks[1:]:
        both = []
        for one in common:
            for two in other:
                from_ns = max(one.from_ns, two.from_ns)
                ends = [silence.to_ns for silence in (one, two) if silence.to_ns is not None]
                to_ns = min(ends) if ends else None
                if to_ns is None or to_ns > from_ns:
                    both.append(_stretch(from_ns, to_ns))
        common = both
    return common


def _stretch(from_ns: int, to_ns: int | None) -> Silence:
    return Silence.bare(from_ns, to_ns)


def _signs_of(memory: Memory, channel: int, identity: Identity) -> list[Sign]:
    return [
        sign
        for sign in memory.signs
        if sign.channel == channel
        and (
            (sign.address is not None and sign.address == identity.address)
            or (sign.node_id is not None and sign.node_id == identity.node_id)
            or (sign.can_name is not None and sign.can_name == identity.can_name)
        )
    ]


def _unclaimed(
    memory: Memory,
    alone: list[int],
    beats: dict[int, Beat],
    first_channel: int,
    until_ns: int,
    reported: Sequence[Gap],
) -> list[_Member]:
    """Group the identifiers that nobody claims by the company they keep."""
    channel_silences = {channel: _channel_silences(memory, channel, until_ns) for channel in memory.channel_row}
    lone = []
    for row in alone:
        if row not in beats:
            continue
        channel = memory.keys[row].channel
        falls = find_lost([beats[row]], beats[row].silences, (), _excuses(reported, channel), until_ns)
        own = tuple(
            (fall.last_seen_ns, fall.back_ns)
            for fall in falls
            if not _mostly_silent(channel_silences[channel], fall, until_ns)
        )
        lone.append(LoneStream(row=row, deadline_ns=beats[row].deadline_ns, losses=own))
    groups = [
        group
        for channel in dict.fromkeys(memory.keys[row].channel for row in alone)
        for group in keep_company([one for one in lone if memory.keys[one.row].channel == channel], until_ns)
    ]
    groups += [[row] for row in alone if row not in beats]
    members = []
    for rows in sorted(groups):
        key = min((memory.keys[row] for row in rows), key=lambda key: key.id)
        place = "" if key.channel == first_channel else f" on {memory.roll.channel_name(key.channel)}"
        own_beats = [beats[row] for row in rows if row in beats]
        members.append(
            _Member(
                name=f"id {key}{place}",
                channel=key.channel,
                identity=Identity(),
                spec=None,
                rows=rows,
                group_rows=[],
                beats=own_beats,
                silences=_shared(own_beats, until_ns),
                signs=[],
                falls=[],
                late=[],
            )
        )
    return members


def _mostly_silent(channel_silences: Sequence[Silence], fall: Fall, until_ns: int) -> bool:
    end_ns = until_ns if fall.back_ns is None else fall.back_ns
    overlap_ns = sum(
        max(
            0,
            min(end_ns, until_ns if silence.to_ns is None else silence.to_ns) - max(fall.last_seen_ns, silence.from_ns),
        )
        for silence in channel_silences
    )
    return overlap_ns > 0.5 * (end_ns - fall.last_seen_ns)


def _shared(beats: Sequence[Beat], until_ns: int) -> list[Silence]:
    """Give the silences of a group without a track of its own: its fastest stream's, trimmed by the others'."""
    if not beats:
        return []
    fastest = min(beats, key=lambda beat: beat.deadline_ns)
    found = []
    for silence in fastest.silences:
        from_ns, to_ns = silence.from_ns, silence.to_ns
        middle_ns = (from_ns + (until_ns if to_ns is None else to_ns)) // 2
        for beat in beats:
            own = beat.silence_over(middle_ns, middle_ns)
            if own is not None:
                from_ns = max(from_ns, own.from_ns)
                to_ns = own.to_ns if to_ns is None else to_ns if own.to_ns is None else min(to_ns, own.to_ns)
        found.append(_stretch(from_ns, to_ns))
    return found


# Losses


def _controller_loss(member: _Member, fall: Fall) -> ControllerLoss:
    end_ns = fall.back_ns if fall.back_ns is not None else None
    signs = []
    if end_ns is not None:
        upto_ns = max(end_ns, fall.steady_ns or end_ns) + _SIGN_AFTER_NS
        signs = [
            sign
            for sign in member.signs
            if fall.last_seen_ns - (_GOING_NS if sign.kind is SignKind.HEARTBEAT_LAST else 0) < sign.t_ns <= upto_ns
        ]
    announces = any(not sign.asked and sign not in signs for sign in member.signs)
    found = weigh_return(fall, signs, announces)
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
        ),
        channel=member.channel,
        deadline_ns=fall.deadline_ns,
    )


def _channel_silences(memory: Memory, channel: int, until_ns: int) -> list[Silence]:
    row = memory.channel_row[channel]
    silences = memory.channels.silences(row)
    if until_ns > int(memory.channels.last_ns[row]):
        silences.append(memory.channels.open_silence(row))
    return silences


def _bus_silences(
    memory: Memory,
    members: Sequence[_Member],
    losses: dict[int, ControllerLoss],
    rhythms: Sequence[Rhythm],
    until_ns: int,
) -> tuple[list[tuple[Gap, Incident]], set[int]]:
    """Find when a whole channel fell silent at once, and which losses that explains."""
    found: list[tuple[Gap, Incident]] = []
    explained: set[int] = set()
    for channel in sorted(memory.channel_row):
        on_channel = [member for member in members if member.channel == channel]
        falls = [(member, fall) for member in on_channel for fall in member.falls]
        if not falls or len(on_channel) < 2:
            continue
        shortest_ns = min(fall.deadline_ns for _, fall in falls) // 2
        runs: list[tuple[list[Silence], list[tuple[_Member, Fall]]]] = []
        for silence in _channel_silences(memory, channel, until_ns):
            end_ns = until_ns if silence.to_ns is None else silence.to_ns
            if end_ns - silence.from_ns <= shortest_ns:
                continue
            fell = [
                (member, fall)
                for member, fall in falls
                if fall.last_seen_ns <= silence.from_ns
                and fall.onset_ns >= silence.from_ns - _slack_ns(fall)
                and (fall.back_ns is None or fall.back_ns >= end_ns)
                and id(fall) not in explained
            ]
            if runs and any(_covers(fall, silence.from_ns, end_ns) for _, fall in runs[-1][1]):
                explained.update(id(fall) for _, fall in fell)
                runs[-1][0].append(silence)
                runs[-1][1].extend(fell)
                continue
            if not fell or not _is_whole_bus(on_channel, fell, silence.from_ns, end_ns):
                continue
            explained.update(id(fall) for _, fall in fell)
            runs.append(([silence], fell))
        found += [_bus_incident(channel, run, fell, losses, until_ns) for run, fell in runs]
    return found, explained


def _slack_ns(fall: Fall) -> int:
    """Give how late the first missed frame may have been without having been missed before the silence."""
    return max(5_000_000, 4 * fall.jitter_ns)


def _covers(fall: Fall, from_ns: int, to_ns: int) -> bool:
    return fall.last_seen_ns < from_ns and (fall.back_ns is None or fall.back_ns >= to_ns)


def _is_whole_bus(
    on_channel: Sequence[_Member], fell: Sequence[tuple[_Member, Fall]], from_ns: int, end_ns: int
) -> bool:
    """Tell whether a silence of the channel was more than the silence of one controller.

    Two controllers that fell with it, or one and at least two frames of others that were due.
    """
    if len(fell) > 1:
        return True
    due = sum(
        (end_ns - from_ns) / beat.slowest_ns
        for member in on_channel
        if member is not fell[0][0] and not any(_covers(fall, from_ns, end_ns) for fall in member.falls)
        for beat in member.beats
        if beat.slowest_ns
    )
    return due >= 2.0


def _bus_incident(
    channel: int,
    run: Sequence[Silence],
    fell: Sequence[tuple[_Member, Fall]],
    losses: dict[int, ControllerLoss],
    until_ns: int,
) -> tuple[Gap, Incident]:
    """Make one incident of a bus that fell silent, perhaps with a word or two in between."""
    by_controller: dict[str, ControllerLoss] = {}
    for _, fall in fell:
        one = losses[id(fall)]
        first = by_controller.get(one.loss.controller)
        if first is not None:  # heard for a moment in between
            one = replace(
                one, loss=replace(one.loss, last_seen_ns=first.loss.last_seen_ns, onset_ns=first.loss.onset_ns)
            )
        by_controller[one.loss.controller] = one
    members = sorted(
        by_controller.values(), key=lambda one: (one.loss.onset_ns, one.loss.last_seen_ns, one.loss.controller)
    )
    incident = incident_of(IncidentKind.BUS_SILENCE, members)
    ended = run[-1].to_ns
    gap = Gap(
        channel=channel,
        from_ns=run[0].from_ns,
        to_ns=until_ns if ended is None else ended,
        kind=GapKind.BUS_SILENCE,
        why="everything on the channel fell silent at once",
    )
    return gap, replace(incident, last_seen_ns=run[0].from_ns, onset_ns=max(incident.onset_ns, run[0].from_ns))


def _late_incidents(member: _Member, bus: Sequence[tuple[Gap, Incident]]) -> list[Incident]:
    incidents = []
    for late in member.late:
        end_ns = late.back_ns
        if any(
            gap.channel == member.channel
            and gap.from_ns < (end_ns if end_ns is not None else gap.to_ns + 1)
            and gap.to_ns > late.last_seen_ns
            for gap, _ in bus
        ):
            continue
        names = ", ".join(f"{beat.rhythm.period_ns / 1e6:.0f} ms" for beat, _ in late.streams if beat.rhythm.period_ns)
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
                    )
                ],
                why=(f"missing: {names}",),
            )
        )
    return incidents


def _restarts(member: _Member, first_ns: int) -> list[Incident]:
    """Find starts that were announced without a silence long enough to be a dropout."""
    found: list[Incident] = []
    started_ns = first_ns
    for sign in member.signs:
        if sign.asked or sign.kind is SignKind.HEARTBEAT_LAST or sign.t_ns <= started_ns + _STARTUP_NS:
            continue
        started_ns = sign.t_ns
        if any(
            fall.last_seen_ns <= sign.t_ns
            and (fall.back_ns is None or sign.t_ns <= max(fall.back_ns, fall.steady_ns or 0) + _SIGN_AFTER_NS)
            for fall in member.falls
        ):
            continue
        found.append(_restart(member, sign))
    return found


def _restart(member: _Member, sign: Sign) -> Incident:
    loss = Loss(
        controller=member.name,
        last_seen_ns=sign.t_ns,
        onset_ns=sign.t_ns,
        back_ns=sign.t_ns,
        steady_ns=sign.t_ns,
        ran_on=RanOn.RESTARTED,
        p_restarted=0.99,
        evidence=(f"it sent a {sign.kind} that nobody had asked for",),
    )
    return incident_of(IncidentKind.RESTART, [ControllerLoss(loss=loss, channel=member.channel, deadline_ns=0)])


# The roll call


def _health(
    memory: Memory,
    member: _Member,
    rhythms: Sequence[Rhythm],
    losses: dict[int, ControllerLoss],
    on_bus: set[int],
    n_restarts: int,
    start_ns: int,
    until_ns: int,
) -> ControllerHealth:
    streams = memory.streams
    first_ns = min(int(streams.first_ns[row]) for row in member.rows)
    last_ns = max(int(streams.last_ns[row]) for row in member.rows)
    absences = [(fall.last_seen_ns, until_ns if fall.back_ns is None else fall.back_ns) for fall in member.falls]
    since_ns = first_ns
    if member.spec is not None and memory.complete and first_ns - start_ns > _due_ns(member):
        absences.insert(0, (start_ns, first_ns))
        since_ns = start_ns
    lost_ns = sum(to_ns - from_ns for from_ns, to_ns in absences)
    restarted = sum(losses[id(fall)].loss.ran_on is RanOn.RESTARTED for fall in member.falls)
    return ControllerHealth(
        name=member.name,
        channel=member.channel,
        identity=member.identity,
        frames=sum(int(streams.count[row]) for row in member.rows),
        streams=tuple(_stream_health(memory, row, rhythms[row]) for row in member.rows),
        state=_state(member, until_ns),
        present_ns=until_ns - since_ns - lost_ns,
        lost_ns=lost_ns,
        dropouts=sum(id(fall) not in on_bus for fall in member.falls),
        restarts=n_restarts + restarted,
        first_ns=first_ns,
        last_ns=last_ns,
        absences=tuple(absences),
    )


def _due_ns(member: _Member) -> int:
    """Give within what time a controller that is there must be heard."""
    return min((beat.deadline_ns for beat in member.beats), default=0)


def _state(member: _Member, until_ns: int) -> ControllerState:
    if any(fall.back_ns is None for fall in member.falls):
        return ControllerState.LOST
    if member.falls and member.falls[-1].steady_ns is None:
        return ControllerState.STARTING
    if any(late.back_ns is None for late in member.late):
        return ControllerState.LATE
    return ControllerState.STEADY


def _stream_health(memory: Memory, row: int, rhythm: Rhythm) -> StreamHealth:
    streams = memory.streams
    return StreamHealth(
        key=memory.keys[row],
        frames=int(streams.count[row]),
        cyclic=rhythm.cyclic,
        period_ns=rhythm.period_ns,
        jitter_ns=rhythm.jitter_ns,
        deadline_ns=rhythm.deadline_ns,
        period_from=rhythm.period_from if rhythm.period_ns else PeriodFrom.LEARNT,
        first_ns=int(streams.first_ns[row]),
        last_ns=int(streams.last_ns[row]),
    )


def _never_seen(memory: Memory, members: Sequence[_Member], start_ns: int, until_ns: int) -> list[ControllerHealth]:
    seen = {id(member.spec) for member in members}
    missing = []
    for spec in memory.roll.specs:
        if id(spec) in seen:
            continue
        expected = memory.complete and until_ns > start_ns
        missing.append(
            ControllerHealth(
                name=spec.name,
                channel=spec.channel if isinstance(spec.channel, int) else None,
                identity=spec.identity,
                frames=0,
                streams=(),
                state=ControllerState.NEVER_SEEN,
                present_ns=0,
                lost_ns=until_ns - start_ns if expected else 0,
                dropouts=0,
                restarts=0,
                first_ns=None,
                last_ns=None,
                absences=((start_ns, until_ns),) if expected else (),
            )
        )
    return missing


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
