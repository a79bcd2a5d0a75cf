"""Bus silence: everything on a channel fell silent at once.

That is the bus, the laptop's own lead, its recorder, or the supply of the whole machine, and accuses no controller. It
is said only of a stretch in which no frame of anybody came, and in which those who were on the bus missed one: whose
streams are merely slower than the moment may be there still, and then it was a group of controllers.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from math import prod
from typing import TypeAlias

from busdoc.health.incident import Gap, GapKind
from busdoc.health.presence.dropout import Absence
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.observations import Observations
from busdoc.health.presence.stream_grouping import channel_silences
from busdoc.health.streams.silence import Silence
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["BusSilence", "find_bus_silences"]

_MISSED_A_BEAT = 1.5
"""Periods of its fastest stream after which a controller that was there should have been heard."""
_NEARLY_ALL = 0.9
"""So many of those who were there must have missed a frame; of many identifiers a few are always too slow to tell."""
_MOST_BUT_ONE = 3 / 4
"""So many must have missed one where the others could not have told, and the whole bus falls silent at other times."""
_MOST_OF_IT = 2
"""Where others were there, the silence is at least one part in so many of the time that those lost were away."""
_OWN_PAUSES = 3
_AS_LONG = 0.8
"""Traffic that was silent so often for about as long, and nobody was lost, pauses like that by itself."""
_LIKE_THE_OTHERS = "as short as the silences of the whole bus in this recording"
_AT_OTHER_TIMES = "everything was silent, as the whole bus was at other times in this recording"
_NEVER_NS = 1 << 62
_WORD_NS = SECOND_NS
"""Longer than this is not a word in between."""
_LEAST_SLACK_NS = 5 * MILLISECOND_NS
_ALIKE = 0.2
"""A recorder that stalls again and again does so for the same time, to this share of it."""
_FEWEST_ALIKE, _MANY_ALIKE = 2, 4
"""So many of the whole bus must have lasted as long; more where somebody is there who may just have nothing to send."""
_TOO_SHORT_TO_START_NS = 500 * MILLISECOND_NS
"""From power to its first frame a controller takes longer (common practice)."""
_STEADY = 1.2
"""The slowest pace of a stream that keeps its period, in periods."""
_TELLS_NOTHING, _BY_CHANCE = 0.4, 0.1
"""Who is quiet for as long more often than the first says nothing by it; all others are, less often than the second."""
_ALL_AT_ONCE_NS = 300 * MILLISECOND_NS
"""Controllers of one supply, channels of one machine or one recorder fall silent within this time of each other
(common practice)."""

Lost: TypeAlias = tuple[JudgedController, Absence]
"""A controller with the absence of it that counts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BusSilence:
    """A stretch in which a channel, or every channel, was silent, and the losses that it explains."""

    gap: Gap
    absences: tuple[Lost, ...]


def find_bus_silences(
    observed: Observations, controllers: Sequence[JudgedController], until_ns: int
) -> list[BusSilence]:
    """Find when whole channels fell silent at once, ascending by channel, then by time.

    Controllers that were lost before are not part of it. A word in between ends it: what is silent after that is the
    next one.

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
    losses = [(controller, absence) for controller in on_channel for absence in controller.absences]
    losses.sort(key=lambda lost: lost[1].last_seen_ns)
    shortest_ns = min((absence.deadline_ns for _, absence in losses), default=0) // 2
    pauses_ns = _own_pauses(silences, losses)
    found: list[BusSilence] = []
    doubtful: list[tuple[Silence, list[Lost], int]] = []
    untold: list[tuple[Silence, list[Lost]]] = []
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
        lasts_ns = end_ns - silence.from_ns
        if not away or lasts_ns <= shortest_ns:
            continue
        # who fell silent with it, and was not explained before
        lost_now = [
            lost for lost in away if _fell_with(lost[1], silence.from_ns, lasts_ns) and id(lost[1]) not in explained
        ]
        if not lost_now or sum(pause_ns >= _AS_LONG * lasts_ns for pause_ns in pauses_ns) >= _OWN_PAUSES:
            continue
        others = _others(on_channel, lost_now, silence.from_ns, end_ns)
        still_away = any(id(absence) in explained for _, absence in away)
        is_alone = len(lost_now) + len(others) == 1 and not still_away
        if is_alone or not _is_whole_bus(lost_now, others, silence.from_ns, end_ns, until_ns):
            if not is_alone and _nobody_could_tell(lost_now, others, silence.from_ns, end_ns, until_ns):
                untold.append((silence, lost_now))
                continue
            doubtful.append((silence, lost_now, _MANY_ALIKE if others else _FEWEST_ALIKE))
            continue
        explained.update(id(absence) for _, absence in lost_now)
        found.append(
            _bus_silence(channel, silence, lost_now, until_ns, "everything on the channel fell silent at once")
        )
    # a bus that falls silent again and again does so too where those who could not tell are all that is left
    if len(found) >= _FEWEST_ALIKE:
        found += [_bus_silence(channel, silence, lost, until_ns, _AT_OTHER_TIMES) for silence, lost in untold]
    else:
        doubtful += [(silence, lost, _MANY_ALIKE) for silence, lost in untold]
    # what the whole bus showed of a recorder that stalls tells it where only some are left to show it
    for fewest in (_FEWEST_ALIKE, _MANY_ALIKE):
        known_ns = [bus.gap.to_ns - bus.gap.from_ns for bus in found]
        found += [
            _bus_silence(channel, silence, lost, until_ns, _LIKE_THE_OTHERS)
            for silence, lost, asked in doubtful
            if asked == fewest and _is_like_others(silence, known_ns, fewest)
        ]
    return _with_those_that_stayed_away(sorted(found, key=lambda bus: bus.gap.from_ns))


def _with_those_that_stayed_away(found: Sequence[BusSilence]) -> list[BusSilence]:
    """Give each loss to the longest silence that it covers, where only a word of somebody else cut a short one off.

    Who stays away for long after a silence in which nothing can have started anew was lost for another reason.
    """
    kept = [list[Lost]() for _ in found]
    for k, bus in enumerate(found):
        for lost in bus.absences:
            longest, before = bus.gap, bus.gap
            at = k
            for n, later in enumerate(found[k + 1 :], start=k + 1):
                if later.gap.from_ns - before.to_ns > _WORD_NS or not _covers(
                    lost[1], later.gap.from_ns, later.gap.to_ns
                ):
                    break
                before = later.gap
                if before.to_ns - before.from_ns > longest.to_ns - longest.from_ns:
                    longest, at = before, n
            back_ns = _back_ns(lost[1])
            is_short = longest.to_ns - longest.from_ns < _TOO_SHORT_TO_START_NS
            if not is_short or back_ns - longest.to_ns <= _TOO_SHORT_TO_START_NS + lost[1].deadline_ns:
                kept[at].append(lost)
    return [replace(bus, absences=tuple(lost)) for bus, lost in zip(found, kept, strict=True) if lost]


def _own_pauses(silences: Sequence[Silence], losses: Sequence[Lost]) -> list[int]:
    """Give how long a channel was silent while nobody was lost, ns.

    Parameters
    ----------
    losses : ascending by the last frame before
    """
    # how long somebody of those lost so far stays away; without an end where one never returned
    from_ns = [absence.last_seen_ns for _, absence in losses]
    away_until_ns = list(accumulate((_back_ns(absence) for _, absence in losses), max))
    pauses = []
    for silence in silences:
        if silence.to_ns is None:
            continue
        n_before = bisect_left(from_ns, silence.to_ns)
        if not n_before or away_until_ns[n_before - 1] <= silence.from_ns:
            pauses.append(silence.to_ns - silence.from_ns)
    return pauses


def _back_ns(absence: Absence) -> int:
    return _NEVER_NS if absence.back_ns is None else absence.back_ns


def _is_whole_bus(
    lost: Sequence[Lost], others: Sequence[JudgedController], from_ns: int, end_ns: int, until_ns: int
) -> bool:
    """Tell whether everybody who was on the bus, but for a few, missed a frame in a silence of the channel.

    Parameters
    ----------
    lost : who fell silent with it
    others : who was there, and was not lost
    """
    if not others:
        return True
    lasts_ns = end_ns - from_ns
    in_time = [one for one in others if not _missed_a_beat(one, from_ns, end_ns)]
    # who sends so seldom that it says nothing either way is not asked, as long as most missed a frame
    could_tell = [one for one in in_time if _all_quiet_by_chance([one], lasts_ns) < _TELLS_NOTHING]
    n = len(lost) + len(others)
    n_missed = n - len(in_time)
    quiet_too = not could_tell or _all_quiet_by_chance(could_tell, lasts_ns) < _BY_CHANCE
    most = n_missed > len(lost) and 2 * n_missed >= n  # some who were not lost missed a frame all the same
    if n_missed < _NEARLY_ALL * n and not (most and quiet_too):
        return False
    return not _went_on(lost, from_ns, end_ns, until_ns)


def _nobody_could_tell(
    lost: Sequence[Lost], others: Sequence[JudgedController], from_ns: int, end_ns: int, until_ns: int
) -> bool:
    """Tell whether nearly all are lost, and the few others send so seldom that they need not have been heard."""
    in_time = [one for one in others if not _missed_a_beat(one, from_ns, end_ns)]
    n = len(lost) + len(others)
    return (
        n - len(in_time) >= _MOST_BUT_ONE * n
        and _all_quiet_by_chance(in_time, end_ns - from_ns) >= _TELLS_NOTHING
        and not _went_on(lost, from_ns, end_ns, until_ns)
    )


def _went_on(lost: Sequence[Lost], from_ns: int, end_ns: int, until_ns: int) -> bool:
    """Tell whether others went on without those lost for longer than all were silent: then it was those alone."""
    away_ns = sorted(
        (until_ns if absence.back_ns is None else absence.back_ns) - absence.last_seen_ns for _, absence in lost
    )
    return away_ns[(len(away_ns) - 1) // 2] > _MOST_OF_IT * (end_ns - from_ns)


def _all_quiet_by_chance(controllers: Sequence[JudgedController], lasts_ns: int) -> float:
    """Give the chance that none of several controllers sends in a stretch that is shorter than their periods.

    None of them need have missed a frame, and yet all of them together would have sent some: their phases are anything.
    """
    spans_ns = [
        stream.slowest_ns * (1.0 if stream.slowest_ns <= _STEADY * stream.period_ns else _MISSED_A_BEAT)
        for one in controllers
        for stream in one.cyclic_streams
    ]
    return prod(max(0.0, 1.0 - lasts_ns / span_ns) for span_ns in spans_ns if span_ns)


def _missed_a_beat(one: JudgedController, from_ns: int, end_ns: int) -> bool:
    """Tell whether a controller should have been heard in a stretch in which it was not.

    Whoever has not been heard since either, with messages so slow that it need not have been, may have been silent with
    the rest: until it speaks nobody is accused of having fallen without it.
    """
    over = [stream.silence_over(from_ns, end_ns) for stream in one.cyclic_streams]
    if over and all(own is not None and own.to_ns is None for own in over):
        return True
    for stream, own in zip(one.cyclic_streams, over, strict=True):
        own_ns = end_ns - from_ns if own is None else (own.to_ns or end_ns) - own.from_ns
        if own_ns > _MISSED_A_BEAT * stream.slowest_ns:
            return True
    return False


def _end_ns(silence: Silence, until_ns: int) -> int:
    return until_ns if silence.to_ns is None else silence.to_ns


def _bus_silence(channel: int, silence: Silence, lost: Sequence[Lost], until_ns: int, why: str) -> BusSilence:
    to_ns = _end_ns(silence, until_ns)
    gap = Gap(channel=channel, from_ns=silence.from_ns, to_ns=to_ns, kind=GapKind.BUS_SILENCE, why=why)
    return BusSilence(gap=gap, absences=tuple(lost))


def _is_like_others(silence: Silence, known_ns: Sequence[int], fewest: int) -> bool:
    """Tell a stall of the recorder where one controller alone is left to show it: it lasts as the stalls before did.

    Too short for a controller to have started anew, and as long as two silences or more of the whole bus.
    """
    lasts_ns = (silence.to_ns or silence.from_ns) - silence.from_ns
    alike = sum(abs(lasts_ns - other_ns) <= _ALIKE * other_ns for other_ns in known_ns)
    return lasts_ns < _TOO_SHORT_TO_START_NS and alike >= fewest


def _fell_with(absence: Absence, from_ns: int, lasts_ns: int) -> bool:
    """Tell whether no frame of the controller had been missed before the channel fell silent.

    In a silence that may be a lost supply, they hold out for different times.
    """
    hold_up_ns = _ALL_AT_ONCE_NS if lasts_ns >= _TOO_SHORT_TO_START_NS else 0
    return absence.onset_ns >= from_ns - max(_LEAST_SLACK_NS, 4 * absence.jitter_ns, hold_up_ns)


def _covers(absence: Absence, from_ns: int, to_ns: int) -> bool:
    return absence.last_seen_ns < from_ns and _back_ns(absence) >= to_ns


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
        found_parts = [_at_the_same_time(gap, silences_of[channel], until_ns) for channel in others]
        parts = [part for part in found_parts if part is not None]
        if len(parts) == len(others):
            # silent on all of them: from the last frame on any to the first on any
            from_ns = max(gap.from_ns, *(part.from_ns for part in parts))
            to_ns = min(gap.to_ns, *(_end_ns(part, until_ns) for part in parts))
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
            why = "everything on every channel fell silent at once"
            gap = replace(gap, channel=None, from_ns=from_ns, to_ns=to_ns, why=why)
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
