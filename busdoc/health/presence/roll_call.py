"""Roll call: how every controller stands at the end of what was read."""

from collections.abc import Mapping, Sequence

from busdoc.health.controller import ControllerHealth, ControllerState, StreamHealth
from busdoc.health.incident import RanOn
from busdoc.health.presence.judged_controller import Member
from busdoc.health.presence.loss_grouping import ControllerLoss
from busdoc.health.presence.observations import Memory
from busdoc.health.streams.rhythm import Rhythm
from busdoc.machine.controller_spec import PeriodFrom

__all__ = ["call", "never_seen"]

_BEATS = 2
"""Frames of every expected stream that show it in rhythm."""


def call(
    memory: Memory,
    member: Member,
    rhythms: Sequence[Rhythm],
    losses: Mapping[int, ControllerLoss],
    on_bus: set[int],
    n_restarts: int,
    start_ns: int,
    until_ns: int,
) -> ControllerHealth:
    """Say how a controller fared.

    Parameters
    ----------
    losses : by the identity of their `Fall`
    on_bus : falls that were the whole bus, by identity: absences, but no dropouts
    n_restarts : starts that it announced without having been lost
    """
    streams = memory.streams
    first_ns, last_ns = member.first_ns, member.last_ns
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
        state=_state(member),
        present_ns=until_ns - since_ns - lost_ns,
        lost_ns=lost_ns,
        dropouts=sum(id(fall) not in on_bus for fall in member.falls),
        restarts=n_restarts + restarted,
        first_ns=first_ns,
        last_ns=last_ns,
        absences=tuple(absences),
    )


def _due_ns(member: Member) -> int:
    """Give within what time a controller that is there must be heard."""
    return min((beat.deadline_ns for beat in member.beats), default=0)


def _state(member: Member) -> ControllerState:
    if any(fall.back_ns is None for fall in member.falls):
        return ControllerState.LOST
    if member.falls and member.falls[-1].steady_ns is None:
        return ControllerState.STARTING
    if any(late.back_ns is None for late in member.late):
        return ControllerState.LATE
    if any(beat.count < _BEATS for beat in member.beats if beat.rhythm.period_from is not PeriodFrom.LEARNT):
        return ControllerState.STARTING
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


def never_seen(memory: Memory, members: Sequence[Member], start_ns: int, until_ns: int) -> list[ControllerHealth]:
    """Give the controllers of the specs that never spoke."""
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
