"""Finds who joined in mid-recording, and the boxes that answer to several addresses."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from busdoc.decode.j1939.can_name import read_can_name
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.join import Box, Join
from busdoc.health.phases.tools import is_tool
from busdoc.health.summary import Health
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["find_boxes", "find_joins", "told_by_box"]

_OPENING_NS = SECOND_NS
"""Who was heard within so long of the start was there already …"""
_SLOWEST_NS = 3 * SECOND_NS
"""… and so may anybody who sends more seldom than that (heartbeats of NMEA 2000 come once a minute)."""
_WAVE_NS = 500 * MILLISECOND_NS
_TOGETHER_NS = 300 * MILLISECOND_NS
"""One box takes its addresses off the bus and back within its hold-up time (common practice)."""


def find_joins(health: Health) -> tuple[Join, ...]:
    """Find who came in mid-recording, ascending by time; those that came at once are one entry."""
    came = sorted(
        (one.first_ns, one.name, one)
        for one in health.controllers
        if one.first_ns is not None and one.first_ns - health.start_ns > _due_ns(one)
    )
    waves: list[list[ControllerHealth]] = []
    last_ns = 0
    for first_ns, _, one in came:
        if waves and first_ns - last_ns <= _WAVE_NS:
            waves[-1].append(one)
        else:
            waves.append([one])
        last_ns = first_ns
    return tuple(
        Join(
            from_ns=wave[0].first_ns or 0,
            to_ns=wave[-1].first_ns or 0,
            controllers=tuple(one.name for one in wave),
            tool=all(is_tool(one) for one in wave),
        )
        for wave in waves
    )


def _due_ns(one: ControllerHealth) -> int:
    """Give within what time of the start a controller that is on the bus must have been heard."""
    periods_ns = [stream.period_ns for stream in one.streams if stream.cyclic and stream.period_ns]
    return max(_OPENING_NS, 2 * min(periods_ns, default=_SLOWEST_NS))


def find_boxes(controllers: Sequence[ControllerHealth]) -> tuple[Box, ...]:
    """Find the addresses that are one box: one maker and identity number, and they always went and came together."""
    by_number: dict[tuple[int | None, int, int], list[ControllerHealth]] = {}
    for one in controllers:
        if one.identity.can_name is None:
            continue
        name = read_can_name(one.identity.can_name)
        if name.identity_number:
            by_number.setdefault((one.channel, name.manufacturer, name.identity_number), []).append(one)
    return tuple(
        Box(controllers=tuple(one.name for one in members), maker=maker, number=number)
        for (_, maker, number), members in by_number.items()
        if len(members) > 1 and all(_went_together(a, b) for a, b in pairwise(members))
    )


def _went_together(one: ControllerHealth, other: ControllerHealth) -> bool:
    """Tell whether two controllers were away at the same times, at least once."""
    return len(one.absences) == len(other.absences) > 0 and all(
        abs(a[0] - b[0]) <= _TOGETHER_NS and abs(a[1] - b[1]) <= _TOGETHER_NS
        for a, b in zip(one.absences, other.absences, strict=True)
    )


def told_by_box(incidents: Sequence[Incident], boxes: Sequence[Box]) -> tuple[Incident, ...]:
    """Give the same incidents; each dropout of several knows which of them are one box."""
    return tuple(
        replace(one, boxes=tuple(box.controllers for box in boxes if {*box.controllers} <= {*one.controllers}))
        if one.kind is IncidentKind.DROPOUT and len(one.controllers) > 1 and boxes
        else one
        for one in incidents
    )
