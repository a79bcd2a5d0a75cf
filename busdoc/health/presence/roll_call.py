"""Roll call: how every controller stands at the end of what was read."""

from collections.abc import Mapping, Sequence

from busdoc.health.controller import ControllerHealth, ControllerState, StreamHealth
from busdoc.health.incident import RanOn
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.loss_grouping import ControllerLoss
from busdoc.health.presence.observations import Observations
from busdoc.health.presence.runs.spells import Fall, fall_of, find_spells, goes_on
from busdoc.health.streams.rhythm import Rhythm
from busdoc.machine.controller_spec import PeriodFrom

__all__ = ["controller_health", "never_seen"]

_IN_RHYTHM = 2
"""Frames of every expected stream that show it in rhythm."""


def controller_health(
    observed: Observations,
    controller: JudgedController,
    rhythms: Sequence[Rhythm],
    losses: Mapping[int, ControllerLoss],
    on_bus: set[int],
    start_ns: int,
    until_ns: int,
) -> ControllerHealth:
    """Say how a controller fared.

    Parameters
    ----------
    observed : what was kept of the capture
    rhythms : of all streams, by their numbers
    losses : by the identity of their `Absence`
    on_bus : absences that were the whole bus, by identity: absences, but no dropouts
    start_ns, until_ns : the first frame of the capture, and how far was listened
    """
    streams = observed.streams
    first_ns, last_ns = controller.first_ns, controller.last_ns
    absences = [
        (absence.last_seen_ns, until_ns if absence.back_ns is None else absence.back_ns)
        for absence in controller.absences
    ]
    # a map that names every controller expects each from the start: the time before its first frame is an absence too
    since_ns = first_ns
    if controller.spec is not None and observed.complete and first_ns - start_ns > _due_ns(controller):
        absences.insert(0, (start_ns, first_ns))
        since_ns = start_ns
    lost_ns = sum(to_ns - from_ns for from_ns, to_ns in absences)
    restarted = sum(losses[id(absence)].loss.ran_on is RanOn.RESTARTED for absence in controller.absences)
    return ControllerHealth(
        name=controller.name,
        channel=controller.channel,
        identity=controller.identity,
        frames=sum(int(streams.count[row]) for row in controller.rows),
        streams=tuple(_stream_health(observed, row, rhythms[row]) for row in controller.rows),
        state=_state(controller, _falls(controller, losses), until_ns),
        # without a rhythm nobody knows whether it is there once its last frame has come
        present_ns=(until_ns if controller.cyclic_streams else last_ns) - since_ns - lost_ns,
        lost_ns=lost_ns,
        dropouts=sum(absence.missed and id(absence) not in on_bus for absence in controller.absences),
        restarts=restarted,
        first_ns=first_ns,
        last_ns=last_ns,
        absences=tuple(absences),
    )


def _due_ns(controller: JudgedController) -> int:
    """Give within what time a controller that is there must be heard."""
    return min((stream.deadline_ns for stream in controller.cyclic_streams), default=0)


def _falls(controller: JudgedController, losses: Mapping[int, ControllerLoss]) -> list[Fall]:
    return [fall_of([losses[id(absence)].loss]) for absence in controller.absences]


def _state(controller: JudgedController, falls: Sequence[Fall], until_ns: int) -> ControllerState:
    """Say how a controller stands at the end: the first of these that is so."""
    spells = find_spells(falls)
    if spells and spells[-1][1] == len(falls) and goes_on(falls[slice(*spells[-1])], until_ns):
        return ControllerState.RESTARTING
    if any(absence.back_ns is None for absence in controller.absences):
        return ControllerState.LOST
    if not controller.cyclic_streams:
        return ControllerState.NOT_JUDGED
    if controller.absences and controller.absences[-1].steady_ns is None:
        return ControllerState.STARTING
    if any(late.back_ns is None for late in controller.late):
        return ControllerState.LATE
    if any(
        stream.count < _IN_RHYTHM
        for stream in controller.cyclic_streams
        if stream.rhythm.period_from is not PeriodFrom.LEARNT
    ):
        return ControllerState.STARTING
    return ControllerState.STEADY


def _stream_health(observed: Observations, row: int, rhythm: Rhythm) -> StreamHealth:
    streams = observed.streams
    return StreamHealth(
        key=observed.keys[row],
        frames=int(streams.count[row]),
        cyclic=rhythm.cyclic,
        period_ns=rhythm.period_ns,
        jitter_ns=rhythm.jitter_ns,
        deadline_ns=rhythm.deadline_ns,
        period_from=rhythm.period_from,
        first_ns=int(streams.first_ns[row]),
        last_ns=int(streams.last_ns[row]),
    )


def never_seen(
    observed: Observations, controllers: Sequence[JudgedController], start_ns: int, until_ns: int
) -> list[ControllerHealth]:
    """Give the controllers of the specs that never spoke, in the order of the specs."""
    seen = {id(controller.spec) for controller in controllers}
    missing = []
    for spec in observed.roll.specs:
        if id(spec) in seen:
            continue
        expected = observed.complete and until_ns > start_ns
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
