"""What is judged of a case at one instant: who was lost, which action each loss answers to, which part is at fault.

The same two steps for a recording at its end and for a session at the machine, many times over: `observe` asks the
watches, `weigh` asks the isolation. Neither keeps anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.actions.action import POWER_KINDS, Action
from busdoc.analysis.watches import Watches
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.phases.recognise import recognised
from busdoc.health.summary import Health
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.machine.machine import Machine

__all__ = ["Observed", "Weighed", "observe", "weigh"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observed:
    """What the traffic says."""

    health: Health
    """Its incidents and one for each code that was raised, ascending by onset."""
    codes: tuple[FaultCode, ...]
    warnings: tuple[str, ...]
    """About the codes."""

    @property
    def incidents(self) -> tuple[Incident, ...]:
        """Those of `health`."""
        return self.health.incidents


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """What it means, held against what was done."""

    because: tuple[Because, ...]
    """Which action each incident answers to."""
    verdict: IsolationVerdict


def observe(watches: Watches, health: Health, actions: Sequence[Action] | None = None) -> Observed:
    """Tell normal life apart in what the watches judged, and add the fault codes.

    Parameters
    ----------
    watches : fed with the frames so far
    health : as they judged it: `Watches.close`, or `Watches.so_far`
    actions : what was done, of a recording that has ended: where somebody wrote down when power was switched, the
        traffic need not be asked; None: it goes on, and nobody knows yet who left for good
    """
    told = actions is None or any(action.kind in POWER_KINDS for action in actions)
    health = recognised(health, watches.engine(), power_told=told)
    found = watches.codes(health)
    incidents = sorted((*health.incidents, *found.incidents), key=lambda incident: incident.onset_ns)
    return Observed(health=replace(health, incidents=tuple(incidents)), codes=found.codes, warnings=found.warnings)


def weigh(machine: Machine, observed: Observed, actions: Sequence[Action]) -> Weighed:
    """Say which action each incident answers to, and weigh the parts.

    A machine that went off and on as a whole accuses nobody where no power action was written down: a key turned off
    and on and a lost main supply look the same on the bus.

    Parameters
    ----------
    machine : the map, empty when there is none
    observed : of the same instant
    actions : what was done, ascending by time
    """
    health = observed.health
    because = attribute(health, actions, machine)
    pairs = list(zip(health.incidents, because, strict=True))
    if not any(action.kind in POWER_KINDS for action in actions):
        pairs = [pair for pair in pairs if not _is_off_and_on(pair[0])]
    kept = replace(health, incidents=tuple(incident for incident, _ in pairs))
    return Weighed(
        because=because,
        verdict=isolate(kept, actions, machine, [reason for _, reason in pairs], observed.codes),
    )


def _is_off_and_on(incident: Incident) -> bool:
    return incident.kind is IncidentKind.BUS_SILENCE and incident.ran_on is RanOn.RESTARTED
