"""Holds an analysis of a machine that resets itself over and over against what was true."""

from dataclasses import dataclass

from busdoc.analysis.case import Case
from busdoc.analysis.postmortem import conclude
from busdoc.analysis.result import Result
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.health.incident import IncidentKind
from tests.truth.by_chance.resets import ResetMachine

__all__ = ["ToldRestarts", "analysed", "told_restarts"]

_EXACT_NS = 1_000
_LASTING_NS = 10_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldRestarts:
    """Counts of one machine."""

    due: int
    found: int
    """Told with both edges, to the microsecond."""
    invented: int
    """Losses of the controller that are none of its restarts."""


def analysed(one: ResetMachine) -> Result:
    """Run the whole analysis over a machine's frames."""
    case = Case(machine=one.machine, channels=ChannelTable())
    watches = Watches(case)
    watches.feed(one.block)
    health = watches.close()
    return conclude(case.with_facts(watches.frames_by_channel, epoch=True), watches, health, one.actions)


def told_restarts(one: ResetMachine, result: Result) -> ToldRestarts:
    """Count what was told of the controller that resets; one that lasts at the end is not counted."""
    losses = [
        loss
        for incident in result.incidents
        if incident.kind not in (IncidentKind.LATE, IncidentKind.CODE, IncidentKind.CAPTURE_GAP)
        for loss in incident.losses
        if loss.controller == one.name
    ]
    edges = {(restart.last_ns, restart.back_ns) for restart in one.restarts}
    found, invented = 0, 0
    for loss in losses:
        is_one = loss.back_ns is not None and any(
            abs(loss.last_seen_ns - last_ns) <= _EXACT_NS and abs(loss.back_ns - back_ns) <= _EXACT_NS
            for last_ns, back_ns in edges
        )
        lasts = loss.back_ns is None and one.until_ns - loss.last_seen_ns <= _LASTING_NS
        found += is_one
        invented += not is_one and not lasts
    return ToldRestarts(due=len(one.restarts), found=found, invented=invented)
