"""What the enumeration runs over: the parts of the map, each bad from the start or gone bad later, and what is off it.

A map of controllers alone, or none at all, says nothing of what hangs on them, supplies them or carries their bus. The
share of the suspicion that belongs to those is not given to the controllers for want of better: it goes to one cause
off the map for each controller, which troubles that controller and no other.
"""

from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.evidence import Evidence
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.fault_onset import choose_late
from busdoc.isolation.suspects.prior import share_off_the_map
from busdoc.machine.machine import Machine

__all__ = ["OFF_THE_MAP", "Causes", "list_causes"]

OFF_THE_MAP = -1
"""In place of a part's index: no index, by definition."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Causes:
    """Q causes; the first P are the parts themselves, in their order."""

    evidence: Evidence
    """Its arrays have Q rows where they would have P."""
    part: Int64Array
    """(Q,) the part that each is, or `OFF_THE_MAP`."""
    weights: Float64Array
    """(Q,) prior weights, sum 1."""
    late: BoolArray
    """(Q,) gone bad after the first trouble, which another must have made."""
    n_parts: int


def list_causes(machine: Machine, reach: Reach, evidence: Evidence, weights: Float64Array) -> Causes:
    """Put what is off the map beside the parts.

    Parameters
    ----------
    evidence : for the P parts
    weights : (P,) their prior weights, sum 1
    """
    n_parts = len(reach.parts)
    off = share_off_the_map(machine, reach.parts, reach.controllers)
    own = np.array([reach.parts.index(n) for n in reach.controllers if off > 0.0 and n in reach.parts], np.int64)
    late = choose_late(evidence.late, evidence.hazard, evidence.survival)
    rows = np.concatenate((np.arange(n_parts), own, np.array([p for p, _ in late], np.int64)))
    hazard, survival = evidence.hazard[rows], evidence.survival[rows]
    starts = evidence.starts.hazard[rows]
    shared = np.concatenate((weights * (1.0 - off), np.full(len(own), off / max(len(own), 1))))
    for q, (p, k) in enumerate(late, start=n_parts + len(own)):
        hazard[q, :k] = 0.0
        hazard[q, k] = evidence.late.first[p, k]
        hazard[q, k + 1 :] = evidence.late.hazard[p, k + 1 :]
        survival[q] = evidence.late.survival[p, k]
        starts[q] *= np.array([m is not None for m in evidence.starts.action])[:, None]
    begun = np.array([shared[p] * evidence.late.prior[k] for p, k in late])
    return Causes(
        evidence=replace(
            evidence,
            hazard=hazard,
            survival=survival,
            exposed=evidence.exposed[rows],
            quiet_s=evidence.quiet_s[rows],
            trust=evidence.trust[rows],
            starts=replace(evidence.starts, hazard=starts, exposed=evidence.starts.exposed[rows]),
        ),
        part=np.concatenate((np.arange(n_parts), np.full(len(own), OFF_THE_MAP), np.array([p for p, _ in late], int))),
        late=np.arange(len(rows)) >= n_parts + len(own),
        weights=np.concatenate((shared, begun)) / (1.0 + begun.sum()),
        n_parts=n_parts,
    )
