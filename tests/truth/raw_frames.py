"""What every analysis must stand up to, from the raw frames alone: no frame within what is told as silence."""

from collections.abc import Iterator

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.controller import ControllerHealth, StreamKey
from busdoc.health.incident import GapKind, IncidentKind, Loss, RanOn
from busdoc.health.summary import Health

__all__ = ["contradictions", "frames_of"]

_NOT_HEARD = int(FrameFlag.ERROR | FrameFlag.REMOTE | FrameFlag.TRANSMITTED)
_LEAST_START_NS = 150_000_000
"""Reset, oscillator, boot loader, initialisation: no controller starts anew in less (common practice)."""
_LEAST_WITH_CLAIM_NS = 200_000_000
_BEAT = 1.2
"""Periods: a beat that comes later was missed."""


def frames_of(block: FrameBlock, controller: ControllerHealth) -> BoolArray:
    """(n,) Mark the frames of a controller."""
    mine = np.zeros(len(block), np.bool_)
    for stream in controller.streams:
        mine |= _stream(block, stream.key)
    mine &= (block.flags & _NOT_HEARD) == 0
    return mine


def contradictions(block: FrameBlock, health: Health) -> list[str]:
    """Give each statement about presence that a frame gives the lie to."""
    heard = block.take((block.flags & _NOT_HEARD) == 0)
    frames_ns = {one.name: block.t_ns[frames_of(block, one)] for one in health.controllers}
    by_name = {one.name: one for one in health.controllers}
    found = [text for one in health.controllers for text in _absences(one, frames_ns[one.name])]
    for incident in health.incidents:
        if incident.kind in (IncidentKind.CODE, IncidentKind.CAPTURE_GAP):
            continue
        for loss in incident.losses:
            if loss.controller not in by_name:
                continue
            one, own_ns = by_name[loss.controller], frames_ns[loss.controller]
            if incident.kind is IncidentKind.LATE:
                if not _within(own_ns, loss.last_seen_ns, _end(loss, health)):
                    found.append(f"{one.name} late though nothing of it came: {_span(loss)}")
                continue
            if _within(own_ns, loss.last_seen_ns, _end(loss, health)):
                found.append(f"{one.name} heard within its loss {_span(loss)} ({incident.kind})")
            if loss.ran_on is RanOn.RESTARTED or incident.kind is IncidentKind.RESTART:
                found += _no_restart(block, one, loss)
        if incident.kind is IncidentKind.BUS_SILENCE:
            found += _silent(heard, incident.channel, incident.last_seen_ns, incident.back_ns or health.until_ns)
    for gap in health.gaps:
        if gap.kind is GapKind.BUS_SILENCE:
            found += _silent(heard, gap.channel, gap.from_ns, gap.to_ns)
    return found


def _absences(one: ControllerHealth, own_ns: Int64Array) -> Iterator[str]:
    for from_ns, to_ns in one.absences:
        if one.first_ns is not None and to_ns > one.first_ns and _within(own_ns, from_ns, to_ns):
            yield f"{one.name} heard within its absence {from_ns}-{to_ns}"


def _no_restart(block: FrameBlock, one: ControllerHealth, loss: Loss) -> Iterator[str]:
    """Say what speaks against a restart: it was too short, or every stream kept its beat."""
    if loss.back_ns is None:
        return
    least_ns = _LEAST_START_NS if one.identity.address is None else _LEAST_WITH_CLAIM_NS
    if loss.back_ns - loss.last_seen_ns < least_ns:
        yield f"{one.name} restarted in {(loss.back_ns - loss.last_seen_ns) / 1e6:.0f} ms: {_span(loss)}"
    for stream in one.streams:
        t_ns = block.t_ns[_stream(block, stream.key)]
        before, after = t_ns[t_ns <= loss.last_seen_ns], t_ns[t_ns >= loss.back_ns]
        if not len(before) or not len(after) or len(t_ns) < 3:
            continue
        period_ns = stream.period_ns or float(np.quantile(np.diff(t_ns), 0.25))
        if after[0] - before[-1] > _BEAT * period_ns:
            return
    yield f"{one.name} restarted though no stream missed a beat: {_span(loss)}"


def _silent(heard: FrameBlock, channel: int | None, from_ns: int, to_ns: int) -> Iterator[str]:
    on_it = heard.t_ns if channel is None else heard.t_ns[heard.channel == channel]
    n = _within(on_it, from_ns, to_ns)
    if n:
        yield f"{n} frames on channel {channel} within its silence {from_ns}-{to_ns}"


def _within(t_ns: Int64Array, from_ns: int, to_ns: int) -> int:
    return int(np.count_nonzero((t_ns > from_ns) & (t_ns < to_ns)))


def _end(loss: Loss, health: Health) -> int:
    return health.until_ns + 1 if loss.back_ns is None else loss.back_ns


def _span(loss: Loss) -> str:
    return f"{loss.last_seen_ns}-{loss.back_ns}"


def _stream(block: FrameBlock, key: StreamKey) -> BoolArray:
    extended = (block.flags & FrameFlag.EXTENDED) != 0
    found: BoolArray = (block.id == key.id) & (block.channel == key.channel) & (extended == key.extended)
    return found
