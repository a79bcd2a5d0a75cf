"""The part of the machine that a dropout speaks of: as its own post-mortem says, else what all who fell have alone."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from busdoc.analysis.result import Result
from busdoc.health.incident import Incident, RanOn
from busdoc.isolation.conclusion import State
from busdoc.isolation.verdict import ELSEWHERE, NAMED_FROM, SWITCHED
from busdoc.machine.machine import Machine, PartKind

__all__ = ["CONTROLLER", "PointsAt", "SaidBy", "is_tellable", "kind_of_part", "points_at"]

CONTROLLER = "controller"
"""Kind of what is no part but a controller itself."""
_NO_PARTS = (ELSEWHERE, SWITCHED)
_TOLD = (State.NAMED, State.REPAIRED, State.PROVED, State.CAME_BACK)


class SaidBy(StrEnum):
    """What names the part of a dropout."""

    VERDICT = "verdict"
    """The capture's own conclusion."""
    GROUP = "group"
    """What the dropouts of this one capture have in common."""
    MAP = "map"
    """On the map it is what they who fell have in common, and nobody else; a controller that fell alone is named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsAt:
    """Where one dropout says to look."""

    part: str
    kind: str
    said_by: SaidBy


def kind_of_part(machine: Machine, name: str) -> str:
    """Give the kind of a part, or that it is a controller."""
    return str(machine.parts[name].kind) if name in machine.parts else CONTROLLER


def points_at(result: Result) -> Mapping[int, PointsAt]:
    """Give for each incident that no action explains, by its index, where it says to look; those that say nothing lack.

    Notes
    -----
    A supply takes controllers down and they start anew; bus wiring lets them run on unheard. Where a feed and a segment
    fit alike and nothing tells the two apart, neither is named.
    """
    conclusion, machine = result.conclusion, result.machine
    named = [one.part for one in conclusion.named if conclusion.state in _TOLD and one.part not in _NO_PARTS]
    groups: dict[int, str] = {}
    if result.intermittent is not None and result.intermittent.symptom is None:
        for group in result.intermittent.groups:
            best = max(group.causes, key=lambda cause: cause.probability, default=None)
            if best is not None and best.part is not None and best.probability >= NAMED_FROM:
                groups |= dict.fromkeys(group.incidents, best.part)
    found = {}
    for number, incident in enumerate(result.health.incidents):
        part: str | None = next((one for one in named if _reaches(machine, one, incident)), None)
        if part is not None:
            said_by = SaidBy.VERDICT
        elif number in groups:
            part, said_by = groups[number], SaidBy.GROUP
        else:
            part, said_by = _in_common(machine, incident), SaidBy.MAP
        if part is not None:
            found[number] = PointsAt(part=part, kind=kind_of_part(machine, part), said_by=said_by)
    return found


def is_tellable(machine: Machine, part: str) -> bool:
    """Whether dropouts alone can speak of a part: a controller, or what several hang on, and not all."""
    if part not in machine.parts:
        return True
    n_below = len(machine.controllers_below(part))
    return machine.parts[part].kind in (PartKind.FEED, PartKind.SEGMENT) and 2 <= n_below < len(machine.controllers)


def _reaches(machine: Machine, part: str, incident: Incident) -> bool:
    """Whether a part can take all of them down: those below it, or the one that it troubles."""
    return set(incident.controllers) <= {*machine.controllers_below(part), machine.home(part), part}


def _in_common(machine: Machine, incident: Incident) -> str | None:
    """Name what those who fell hang on, and nobody else; who fell alone is named itself."""
    fell = {name for name in incident.controllers if name in machine.controllers}
    if len(incident.controllers) == 1:
        return incident.controllers[0]
    if not fell:
        return None
    fitting = [
        part
        for part in machine.parts.values()
        if part.kind in (PartKind.FEED, PartKind.SEGMENT) and set(machine.controllers_below(part.name)) == fell
    ]
    kinds = {part.kind for part in fitting}
    if len(kinds) > 1:
        wanted = {RanOn.RESTARTED: PartKind.FEED, RanOn.KEPT_RUNNING: PartKind.SEGMENT}.get(incident.ran_on)
        fitting = [part for part in fitting if part.kind is wanted]
    return fitting[0].name if len(fitting) == 1 else None
