"""The record worked through once: reach, losses, evidence and posterior, for whoever asks.

Attribution asks which action an incident answers to, the verdict which part is at fault, and both read the same
posterior.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action
from busdoc.arrays import Float64Array
from busdoc.health.codes.code import FaultCode
from busdoc.isolation.suspects.evidence import Evidence, weigh_evidence
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.losses import Losses
from busdoc.isolation.suspects.prior import part_weights
from busdoc.isolation.suspects.sets.causes import list_causes
from busdoc.isolation.suspects.sets.posterior import Posterior, weigh_sets
from busdoc.machine.machine import Machine
from busdoc.symptoms.symptom import Symptom

__all__ = ["Findings", "work_through"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """Everything that one pass over the record gave."""

    machine: Machine
    actions: tuple[Action, ...]
    """Ascending by time."""
    reach: Reach
    losses: Losses
    unexplained: tuple[int, ...]
    """Rows of `losses` that no action explains by itself; the K of the arrays below."""
    weights: Float64Array
    """(P,) prior weights."""
    evidence: Evidence
    posterior: Posterior
    start_ns: int
    span_s: float
    offset_s: float


def work_through(
    machine: Machine,
    reach: Reach,
    losses: Losses,
    unexplained: Sequence[int],
    actions: Sequence[Action],
    *,
    codes: Sequence[FaultCode] = (),
    symptom: Symptom | None = None,
    start_ns: int,
    span_s: float,
    offset_s: float,
) -> Findings:
    """Work the record through.

    Parameters
    ----------
    machine : with every controller of the capture
    reach : of the actions, on this machine
    unexplained : rows of `losses`
    actions : ascending by time
    codes : hints where to look
    symptom : what is isolated, where it is no dropout
    start_ns, span_s : what was watched
    offset_s : journal clock minus capture clock, as far as known
    """
    fell = np.flatnonzero(losses.hit[list(unexplained)].any(axis=0)).tolist()
    troubled = [reach.controllers[c] for c in fell]
    weights = part_weights(machine, reach.parts, reach.controllers, codes, symptom, troubled)
    evidence = weigh_evidence(machine, losses, unexplained, reach, actions, start_ns, span_s, offset_s)
    return Findings(
        machine=machine,
        actions=tuple(actions),
        reach=reach,
        losses=losses,
        unexplained=tuple(unexplained),
        weights=weights,
        evidence=evidence,
        posterior=weigh_sets(list_causes(machine, reach, evidence, weights)),
        start_ns=start_ns,
        span_s=span_s,
        offset_s=offset_s,
    )
