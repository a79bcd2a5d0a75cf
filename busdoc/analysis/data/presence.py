"""Presence as intervals: of every controller, from when to when it was heard, silent, or could not be heard."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from busdoc.analysis.data.moments import time_index
from busdoc.health.controller import ControllerHealth, heard_span
from busdoc.health.incident import GapKind, Incident
from busdoc.health.summary import Health
from busdoc.times import SECOND_NS

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Presence", "frame_of_presence", "intervals_of"]


class Presence(StrEnum):
    """What is known of a controller in a stretch of time."""

    HEARD = "heard"
    SILENT = "silent"
    NOT_YET = "not yet heard"
    NO_MORE = "no more heard"
    """It sent nothing any more, and has no rhythm by which it would be missed, or went as the machine did."""
    NOT_RECORDED = "not recorded"


Interval = tuple[int, int, Presence]


def intervals_of(controller: ControllerHealth, health: Health) -> list[Interval]:
    """Give the intervals of one controller: from the start to the end of the capture, ascending, without holes."""
    start_ns, until_ns = health.start_ns, health.until_ns
    if controller.first_ns is None:
        heard_from_ns = heard_to_ns = until_ns
    else:
        heard_from_ns, heard_to_ns = heard_span(controller)
    unrecorded = _apart(
        (gap.from_ns, gap.to_ns)
        for gap in health.gaps
        if gap.kind is GapKind.CAPTURE_GAP and gap.channel in (None, controller.channel)
    )
    inside = [
        *controller.absences,
        *unrecorded,
        (heard_from_ns, heard_to_ns),
    ]
    edges = sorted({start_ns, until_ns, *(min(max(edge, start_ns), until_ns) for span in inside for edge in span)})
    found: list[Interval] = []
    for from_ns, to_ns in pairwise(edges):
        if _within(from_ns, unrecorded):
            state = Presence.NOT_RECORDED
        elif _within(from_ns, controller.absences):
            state = Presence.SILENT
        elif from_ns < heard_from_ns:
            state = Presence.NOT_YET
        elif from_ns >= heard_to_ns:
            state = Presence.NO_MORE
        else:
            state = Presence.HEARD
        if found and found[-1][2] is state:
            found[-1] = (found[-1][0], to_ns, state)
        else:
            found.append((from_ns, to_ns, state))
    return found


def _apart(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join spans that overlap; ascending."""
    joined: list[tuple[int, int]] = []
    for from_ns, to_ns in sorted(spans):
        if joined and from_ns <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(to_ns, joined[-1][1]))
        else:
            joined.append((from_ns, to_ns))
    return joined


def _within(t_ns: int, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether an instant lies in one of the spans, which are ascending and apart."""
    at = bisect_right(spans, t_ns, key=lambda span: span[0]) - 1
    return at >= 0 and t_ns < spans[at][1]


def frame_of_presence(health: Health, incidents: Sequence[Incident], *, epoch: bool) -> "pd.DataFrame":
    """Give a row for each interval, controller by controller, with the number of the incident of a silence."""
    import pandas as pd

    number_of: Mapping[tuple[str, int], int] = {
        (loss.controller, loss.last_seen_ns): n
        for n, incident in reversed(list(enumerate(incidents, start=1)))
        for loss in incident.losses
    }
    rows = [
        (controller.name, from_ns, to_ns, state)
        for controller in health.controllers
        for from_ns, to_ns, state in intervals_of(controller, health)
    ]
    start_ns = np.array([row[1] for row in rows], np.int64)
    end_ns = np.array([row[2] for row in rows], np.int64)
    numbers = [number_of.get((row[0], row[1])) if row[3] is Presence.SILENT else None for row in rows]
    return pd.DataFrame(
        {
            "controller": pd.array([row[0] for row in rows], dtype="string"),
            "state": pd.array([str(row[3]) for row in rows], dtype="string"),
            "start": time_index(start_ns, epoch=epoch),
            "end": time_index(end_ns, epoch=epoch),
            "duration_s": (end_ns - start_ns) / SECOND_NS,
            "incident": pd.array(numbers, dtype="Int64"),
        }
    )
