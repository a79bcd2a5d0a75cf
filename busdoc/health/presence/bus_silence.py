"""Bus silence: everything on a channel fell silent at once.

That is the bus, the laptop's own lead, its recorder, or the supply of the whole machine, and accuses no controller.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.health.incident import Gap, GapKind
from busdoc.health.presence.judged_controller import Member
from busdoc.health.presence.observations import Memory
from busdoc.health.presence.presence import Fall
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
are a third of those that fell, no more than those, and more."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BusSilence:
    """A stretch in which a channel, or every channel, was silent, and the losses that it explains."""

    gap: Gap
    falls: tuple[tuple[Member, Fall], ...]


def find_bus_silences(memory: Memory, members: Sequence[Member], until_ns: int) -> list[BusSilence]:
    """Find when whole channels fell silent at once, ascending by channel, then by time.

    Controllers that had fallen before are not part of it. A word or two in between, while most of the controllers
    stay away, does not end it.
    """
    found: list[BusSilence] = []
    beating = {member.channel for member in members if member.beats}  # the silence of any other channel proves nothing
    silences = {channel: channel_silences(memory, channel, until_ns) for channel in sorted(beating)}
    for channel in silences:
        on_channel = [member for member in members if member.channel == channel]
        if len(on_channel) > 1:
            found += _of_channel(channel, silences[channel], on_channel, until_ns)
    if len(silences) > 1:
        found = _of_all_channels(found, silences, members, until_ns)
    return found


def _of_channel(
    channel: int, silences: Sequence[Silence], on_channel: Sequence[Member], until_ns: int
) -> list[BusSilence]:
    falls = [(member, fall) for member in on_channel for fall in member.falls]
    if not falls:
        return []
    shortest_ns = min(fall.deadline_ns for _, fall in falls) // 2
    falls.sort(key=lambda one: one[1].last_seen_ns)
    runs: list[tuple[list[Silence], list[tuple[Member, Fall]]]] = []
    away: list[tuple[Member, Fall]] = []
    explained: set[int] = set()
    lone: list[tuple[Silence, list[tuple[Member, Fall]]]] = []
    n_fallen = 0
    for silence in silences:
        end_ns = until_ns if silence.to_ns is None else silence.to_ns
        while n_fallen < len(falls) and falls[n_fallen][1].last_seen_ns <= silence.from_ns:
            away.append(falls[n_fallen])
            n_fallen += 1
        away = [one for one in away if one[1].back_ns is None or one[1].back_ns >= end_ns]
        if not away or end_ns - silence.from_ns <= shortest_ns:
            continue
        fell = [
            (member, fall) for member, fall in away if _fell_with(fall, silence.from_ns) and id(fall) not in explained
        ]
        if runs and _goes_on(runs[-1], silence.from_ns, end_ns, fell):
            runs[-1][0].append(silence)
            runs[-1][1].extend(fell)
        elif fell and _is_whole_bus(on_channel, fell, silence.from_ns, end_ns):
            runs.append(([silence], fell))
        else:
            if len(fell) == 1 and not _others(on_channel, fell, silence.from_ns, end_ns):
                lone.append((silence, fell))
            continue
        explained.update(id(fall) for _, fall in fell)
    found = [
        _bus_silence(channel, run, fell, until_ns, "everything on the channel fell silent at once")
        for run, fell in runs
        if _swallowed_others(on_channel, (run, fell), until_ns)
    ]
    known_ns = [bus.gap.to_ns - bus.gap.from_ns for bus in found]
    found += [
        _bus_silence(channel, [silence], fell, until_ns, "as short as the silences of the whole bus in this recording")
        for silence, fell in lone
        if _is_like_others(silence, known_ns)
    ]
    return sorted(found, key=lambda bus: bus.gap.from_ns)


def _bus_silence(
    channel: int, run: Sequence[Silence], fell: Sequence[tuple[Member, Fall]], until_ns: int, why: str
) -> BusSilence:
    to_ns = until_ns if run[-1].to_ns is None else run[-1].to_ns
    gap = Gap(channel=channel, from_ns=run[0].from_ns, to_ns=to_ns, kind=GapKind.BUS_SILENCE, why=why)
    return BusSilence(gap=gap, falls=tuple(fell))


def _is_like_others(silence: Silence, known_ns: Sequence[int]) -> bool:
    """Tell a stall of the recorder where one controller alone is left to show it: it lasts as the stalls before did.

    Too short for a controller to have started anew, and as long as two silences or more of the whole bus.
    """
    lasts_ns = (silence.to_ns or silence.from_ns) - silence.from_ns
    alike = sum(abs(lasts_ns - other_ns) <= _ALIKE * other_ns for other_ns in known_ns)
    return 0 < lasts_ns < _TOO_SHORT_TO_START_NS and alike >= _FEWEST_ALIKE


def _fell_with(fall: Fall, from_ns: int) -> bool:
    """Tell whether no frame of the controller had been missed before the channel fell silent."""
    return fall.onset_ns >= from_ns - max(_LEAST_SLACK_NS, 4 * fall.jitter_ns)


def _covers(fall: Fall, from_ns: int, to_ns: int) -> bool:
    return fall.last_seen_ns < from_ns and (fall.back_ns is None or fall.back_ns >= to_ns)


def _goes_on(
    run: tuple[list[Silence], list[tuple[Member, Fall]]],
    from_ns: int,
    end_ns: int,
    fell: Sequence[tuple[Member, Fall]],
) -> bool:
    """Tell whether a silence goes on with the one before: most stayed away, the others had said only a word or two."""
    before_ns = run[0][-1].to_ns
    if before_ns is None or from_ns - before_ns > _WORD_NS:
        return False
    away = {id(member) for member, fall in run[1] if _covers(fall, from_ns, end_ns)}
    known = {id(member) for member, _ in run[1]}
    return len(away) == len(known) or (2 * len(away) > len(known) and bool(fell))


def _is_whole_bus(on_channel: Sequence[Member], fell: Sequence[tuple[Member, Fall]], from_ns: int, end_ns: int) -> bool:
    """Tell whether a silence of the channel may be more than the silence of one controller."""
    if len(fell) > 1:
        return True
    others = _others(on_channel, fell, from_ns, end_ns)
    return sum((end_ns - from_ns) / beat.slowest_ns for one in others for beat in one.beats) >= _FRAMES_DUE


def _swallowed_others(
    on_channel: Sequence[Member], run: tuple[list[Silence], list[tuple[Member, Fall]]], until_ns: int
) -> bool:
    """Tell whether the silences of a run swallowed frames of controllers that did not fall.

    A lull in which little of the others was due proves nothing: several controllers fell, and the bus went on. The
    more of the controllers fell, the less is asked of the others. Where nobody else is left to hear, several at once
    are the bus.
    """
    silences, fell = run
    n_fell = len({id(member) for member, _ in fell})
    if n_fell == 1:
        return True  # asked before
    ends_ns = [until_ns if silence.to_ns is None else silence.to_ns for silence in silences]
    others = _others(on_channel, fell, silences[0].from_ns, ends_ns[-1])
    if not others:
        return True
    silent_ns = sum(end_ns - silence.from_ns for silence, end_ns in zip(silences, ends_ns, strict=True))
    if 2 * silent_ns < ends_ns[-1] - silences[0].from_ns:
        return False
    lull = math.prod(max(0.0, 1.0 - max(silent_ns / beat.slowest_ns for beat in one.beats)) for one in others)
    if n_fell >= 3 * len(others):
        return lull <= _LULL_OF_THE_REST
    return lull <= (_LULL_OF_FEW if n_fell >= len(others) else _LULL_OF_MANY)


def _others(
    on_channel: Sequence[Member], fell: Sequence[tuple[Member, Fall]], from_ns: int, end_ns: int
) -> list[Member]:
    """Give the controllers with a rhythm that were on the bus and did not fall."""
    fallen = {id(member) for member, _ in fell}
    return [
        member
        for member in on_channel
        if id(member) not in fallen
        and member.beats
        and member.first_ns < from_ns
        and not any(_covers(fall, from_ns, end_ns) for fall in member.falls)
    ]


def _of_all_channels(
    found: Sequence[BusSilence], silences: dict[int, list[Silence]], members: Sequence[Member], until_ns: int
) -> list[BusSilence]:
    """Join what fell silent on every channel at once."""
    joined: list[BusSilence] = []
    used: set[int] = set()
    for bus in sorted(found, key=lambda bus: (bus.gap.from_ns, bus.gap.channel or 0)):
        if any(id(fall) in used for _, fall in bus.falls):
            continue
        gap = bus.gap
        others = [channel for channel in silences if channel != gap.channel]
        parts = [_at_the_same_time(gap, silences[channel], until_ns) for channel in others]
        if all(part is not None for part in parts):
            from_ns = min(gap.from_ns, *(part.from_ns for part in parts if part is not None))
            falls = list(bus.falls)
            falls += [
                (member, fall)
                for member in members
                for fall in member.falls
                if member.channel != gap.channel
                and abs(fall.last_seen_ns - gap.from_ns) <= _ALL_AT_ONCE_NS + fall.deadline_ns
                and _covers(fall, gap.from_ns + _ALL_AT_ONCE_NS, min(gap.to_ns - _ALL_AT_ONCE_NS, until_ns))
            ]
            gap = replace(gap, channel=None, from_ns=from_ns, why="everything on every channel fell silent at once")
            bus = BusSilence(gap=gap, falls=tuple(falls))
        used.update(id(fall) for _, fall in bus.falls)
        joined.append(bus)
    return joined


def _at_the_same_time(gap: Gap, silences: Sequence[Silence], until_ns: int) -> Silence | None:
    """Find another channel's silence that began with a gap and lasted most of it."""
    for silence in silences:
        end_ns = until_ns if silence.to_ns is None else silence.to_ns
        if (
            abs(silence.from_ns - gap.from_ns) <= _ALL_AT_ONCE_NS
            and min(end_ns, gap.to_ns) - max(silence.from_ns, gap.from_ns) >= (gap.to_ns - gap.from_ns) // 2
        ):
            return silence
    return None
