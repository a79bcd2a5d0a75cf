"""Bus silence: everything on a channel fell silent at once.

That is the bus, the laptop's own lead, its recorder, or the supply of the whole machine, and accuses no controller.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from busdoc.health.incident import Gap, GapKind
from busdoc.health.presence.dropout import Absence
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.observations import Observations
from busdoc.health.presence.stream_grouping import channel_silences
from busdoc.health.streams.silence import Silence
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["BusSilence", "find_bus_silences"]

_FRAMES_DUE = 2.0
"""Frames of other controllers that a silence must have swallowed, when only one controller's deadlines passed."""
_LULL_OF_THE_REST = 0.8
_LULL_OF_FEW = 0.6
_LULL_OF_MANY = 0.05
"""Chance that the others had nothing to send just then, by their fastest streams: what is asked at the most when they
are a third of those that fell silent, no more than those, and more."""
_LEAST_SLACK_NS = 5 * MILLISECOND_NS
_WORD_NS = 3 * SECOND_NS
"""Longer than this is not a word in between."""
_ALIKE = 0.2
"""A recorder that stalls again and again does so for the same time, to this share of it."""
_FEWEST_ALIKE = 2
_TOO_SHORT_TO_START_NS = 500 * MILLISECOND_NS
"""From power to its first frame a controller takes longer (common practice)."""
_ALL_AT_ONCE_NS = 300 * MILLISECOND_NS
"""Channels of one machine or one recorder fall silent within this time of each other (common practice)."""

Lost: TypeAlias = tuple[JudgedController, Absence]
"""A controller with the absence of it that counts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BusSilence:
    """A stretch in which a channel, or every channel, was silent, and the losses that it explains."""

    gap: Gap
    absences: tuple[Lost, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Silences of a channel that go on with one another, a word or two in between, and whom they explain."""

    silences: list[Silence]
    lost: list[Lost]


def find_bus_silences(
    observed: Observations, controllers: Sequence[JudgedController], until_ns: int
) -> list[BusSilence]:
    """Find when whole channels fell silent at once, ascending by channel, then by time.

    Controllers that were lost before are not part of it. A word or two in between, while most of the controllers stay
    away, does not end it.

    Parameters
    ----------
    observed : what was kept of the capture
    controllers : with their absences found
    until_ns : how far was listened
    """
    found: list[BusSilence] = []
    # the silence of a channel without cyclic traffic proves nothing
    with_rhythm = {controller.channel for controller in controllers if controller.cyclic_streams}
    silences_of = {channel: channel_silences(observed, channel) for channel in sorted(with_rhythm)}
    for channel, silences in silences_of.items():
        on_channel = [controller for controller in controllers if controller.channel == channel]
        found += _of_channel(channel, silences, on_channel, until_ns)
    if len(silences_of) > 1:
        found = _of_all_channels(found, silences_of, controllers, until_ns)
    return found


def _of_channel(
    channel: int, silences: Sequence[Silence], on_channel: Sequence[JudgedController], until_ns: int
) -> list[BusSilence]:
    """Find the silences of one channel that are the whole bus."""
    runs, lone = _runs(silences, on_channel, until_ns)
    found = [
        _bus_silence(channel, run.silences, run.lost, until_ns, "everything on the channel fell silent at once")
        for run in runs
        if _swallowed_others(on_channel, run, until_ns)
    ]
    # what the whole bus showed of a recorder that stalls tells it where one controller alone is left to show it
    known_ns = [bus.gap.to_ns - bus.gap.from_ns for bus in found]
    found += [
        _bus_silence(channel, [silence], lost, until_ns, "as short as the silences of the whole bus in this recording")
        for silence, lost in lone
        if _is_like_others(silence, known_ns)
    ]
    return sorted(found, key=lambda bus: bus.gap.from_ns)


def _runs(
    silences: Sequence[Silence], on_channel: Sequence[JudgedController], until_ns: int
) -> tuple[list[_Run], list[tuple[Silence, list[Lost]]]]:
    """Walk over the silences of a channel: runs that may be the whole bus, and silences of a controller left alone."""
    losses = [(controller, absence) for controller in on_channel for absence in controller.absences]
    losses.sort(key=lambda lost: lost[1].last_seen_ns)
    shortest_ns = min((absence.deadline_ns for _, absence in losses), default=0) // 2
    runs: list[_Run] = []
    lone: list[tuple[Silence, list[Lost]]] = []
    away: list[Lost] = []
    explained: set[int] = set()
    n_begun = 0
    for silence in silences:
        # who was away all through it
        end_ns = _end_ns(silence, until_ns)
        while n_begun < len(losses) and losses[n_begun][1].last_seen_ns <= silence.from_ns:
            away.append(losses[n_begun])
            n_begun += 1
        away = [lost for lost in away if lost[1].back_ns is None or lost[1].back_ns >= end_ns]
        if not away or end_ns - silence.from_ns <= shortest_ns:
            continue
        # who fell silent with it, and was not explained before
        lost_now = [lost for lost in away if _fell_with(lost[1], silence.from_ns) and id(lost[1]) not in explained]
        if runs and _goes_on(runs[-1], silence.from_ns, end_ns, lost_now):
            runs[-1].silences.append(silence)
            runs[-1].lost.extend(lost_now)
        elif lost_now and _is_whole_bus(on_channel, lost_now, silence.from_ns, end_ns):
            runs.append(_Run([silence], lost_now))
        else:
            if len(lost_now) == 1 and not _others(on_channel, lost_now, silence.from_ns, end_ns):
                lone.append((silence, lost_now))
            continue
        explained.update(id(absence) for _, absence in lost_now)
    return runs, lone


def _end_ns(silence: Silence, until_ns: int) -> int:
    return until_ns if silence.to_ns is None else silence.to_ns


def _bus_silence(
    channel: int, silences: Sequence[Silence], lost: Sequence[Lost], until_ns: int, why: str
) -> BusSilence:
    from_ns, to_ns = silences[0].from_ns, _end_ns(silences[-1], until_ns)
    gap = Gap(channel=channel, from_ns=from_ns, to_ns=to_ns, kind=GapKind.BUS_SILENCE, why=why)
    return BusSilence(gap=gap, absences=tuple(lost))


def _is_like_others(silence: Silence, known_ns: Sequence[int]) -> bool:
    """Tell a stall of the recorder where one controller alone is left to show it: it lasts as the stalls before did.

    Too short for a controller to have started anew, and as long as two silences or more of the whole bus.
    """
    lasts_ns = (silence.to_ns or silence.from_ns) - silence.from_ns
    alike = sum(abs(lasts_ns - other_ns) <= _ALIKE * other_ns for other_ns in known_ns)
    return lasts_ns < _TOO_SHORT_TO_START_NS and alike >= _FEWEST_ALIKE


def _fell_with(absence: Absence, from_ns: int) -> bool:
    """Tell whether no frame of the controller had been missed before the channel fell silent."""
    return absence.onset_ns >= from_ns - max(_LEAST_SLACK_NS, 4 * absence.jitter_ns)


def _covers(absence: Absence, from_ns: int, to_ns: int) -> bool:
    return absence.last_seen_ns < from_ns and (absence.back_ns is None or absence.back_ns >= to_ns)


def _goes_on(run: _Run, from_ns: int, end_ns: int, lost_now: Sequence[Lost]) -> bool:
    """Tell whether a silence goes on with the one before: most stayed away, the others had said only a word or two."""
    before_ns = run.silences[-1].to_ns
    if before_ns is None or from_ns - before_ns > _WORD_NS:
        return False
    away = {id(controller) for controller, absence in run.lost if _covers(absence, from_ns, end_ns)}
    known = {id(controller) for controller, _ in run.lost}
    return len(away) == len(known) or (2 * len(away) > len(known) and bool(lost_now))


def _is_whole_bus(on_channel: Sequence[JudgedController], lost: Sequence[Lost], from_ns: int, end_ns: int) -> bool:
    """Tell whether a silence of the channel may be more than the silence of one controller."""
    if len(lost) > 1:
        return True
    streams = [stream for one in _others(on_channel, lost, from_ns, end_ns) for stream in one.cyclic_streams]
    return sum((end_ns - from_ns) / stream.slowest_ns for stream in streams) >= _FRAMES_DUE


def _swallowed_others(on_channel: Sequence[JudgedController], run: _Run, until_ns: int) -> bool:
    """Tell whether the silences of a run swallowed frames of controllers that were not lost.

    A lull in which little of the others was due proves nothing: several controllers were lost, and the bus went on.
    The more of the controllers were lost, the less is asked of the others. Where nobody else is left to hear, several
    at once are the bus.
    """
    n_lost = len({id(controller) for controller, _ in run.lost})
    if n_lost == 1:
        return True  # asked before
    from_ns, to_ns = run.silences[0].from_ns, _end_ns(run.silences[-1], until_ns)
    others = _others(on_channel, run.lost, from_ns, to_ns)
    if not others:
        return True
    # words in between that took longer than the silences themselves were no words in between
    silent_ns = sum(_end_ns(silence, until_ns) - silence.from_ns for silence in run.silences)
    if 2 * silent_ns < to_ns - from_ns:
        return False
    # the chance that none of the others had a frame due, each by its fastest stream
    lull = math.prod(
        max(0.0, 1.0 - max(silent_ns / stream.slowest_ns for stream in one.cyclic_streams)) for one in others
    )
    if n_lost >= 3 * len(others):
        return lull <= _LULL_OF_THE_REST
    return lull <= (_LULL_OF_FEW if n_lost >= len(others) else _LULL_OF_MANY)


def _others(
    on_channel: Sequence[JudgedController], lost: Sequence[Lost], from_ns: int, end_ns: int
) -> list[JudgedController]:
    """Give the controllers with a rhythm that were on the bus and were not lost."""
    gone = {id(controller) for controller, _ in lost}
    return [
        controller
        for controller in on_channel
        if id(controller) not in gone
        and controller.cyclic_streams
        and controller.first_ns < from_ns
        and not any(_covers(absence, from_ns, end_ns) for absence in controller.absences)
    ]


def _of_all_channels(
    found: Sequence[BusSilence],
    silences_of: Mapping[int, list[Silence]],
    controllers: Sequence[JudgedController],
    until_ns: int,
) -> list[BusSilence]:
    """Join what fell silent on every channel at once."""
    joined: list[BusSilence] = []
    used: set[int] = set()
    for bus in sorted(found, key=lambda bus: bus.gap.from_ns):
        if any(id(absence) in used for _, absence in bus.absences):
            continue
        # where each other channel has a silence at the same time, all that was lost with any of them is one
        gap = bus.gap
        others = [channel for channel in silences_of if channel != gap.channel]
        parts = [_at_the_same_time(gap, silences_of[channel], until_ns) for channel in others]
        if all(part is not None for part in parts):
            from_ns = min(gap.from_ns, *(part.from_ns for part in parts if part is not None))
            lost = [
                *bus.absences,
                *(
                    (controller, absence)
                    for controller in controllers
                    for absence in controller.absences
                    if controller.channel != gap.channel
                    and abs(absence.last_seen_ns - gap.from_ns) <= _ALL_AT_ONCE_NS + absence.deadline_ns
                    and _covers(absence, gap.from_ns + _ALL_AT_ONCE_NS, min(gap.to_ns - _ALL_AT_ONCE_NS, until_ns))
                ),
            ]
            gap = replace(gap, channel=None, from_ns=from_ns, why="everything on every channel fell silent at once")
            bus = BusSilence(gap=gap, absences=tuple(lost))
        used.update(id(absence) for _, absence in bus.absences)
        joined.append(bus)
    return joined


def _at_the_same_time(gap: Gap, silences: Sequence[Silence], until_ns: int) -> Silence | None:
    """Find another channel's silence that began with a gap and lasted most of it."""
    for silence in silences:
        overlap_ns = min(_end_ns(silence, until_ns), gap.to_ns) - max(silence.from_ns, gap.from_ns)
        if abs(silence.from_ns - gap.from_ns) <= _ALL_AT_ONCE_NS and overlap_ns >= (gap.to_ns - gap.from_ns) // 2:
            return silence
    return None
