"""What the enumeration runs over: the parts of the map, and what a map that leaves things out cannot name.

A map of controllers alone, or none at all, says nothing of what hangs on them, supplies them or carries their bus. The
share of the suspicion that belongs to those is not given to the controllers for want of better: it goes to one cause
off the map for each controller, which troubles that controller and no other.
"""

from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.machine import Machine
from busdoc.arrays import Float64Array, Int64Array
from busdoc.isolation.evidence import Evidence
from busdoc.isolation.prior import share_off_the_map
from busdoc.isolation.reach import Reach

__all__ = ["OFF_THE_MAP", "Causes", "list_causes"]

OFF_THE_MAP = -1
"""In place of a part's index."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Causes:
    """Q causes; the first P are the parts themselves, in their order."""

    evidence: Evidence
    """Its arrays have Q rows where they would have P."""
    part: Int64Array
    """(Q,) the part that each is, or `OFF_THE_MAP`."""
    weights: Float64Array
    """(Q,) prior weights, sum 1."""
    n_parts: int


def list_causes(machine: Machine, reach: Reach, evidence: Evidence, weights: Float64Array) -> Causes:
    """Put what is off the map beside the parts.

    Parameters
    ----------
    evidence : for the P parts
    weights : (P,) their prior weights, sum 1
    """
    n_parts = len(reach.parts)
    part: Int64Array = np.arange(n_parts)
    off = share_off_the_map(machine, reach.parts, reach.controllers)
    if off <= 0.0 or not reach.controllers:
        return Causes(evidence=evidence, part=part, weights=weights, n_parts=n_parts)
    own = np.array([reach.parts.index(name) for name in reach.controllers])
    rows = np.concatenate((part, own))
    return Causes(
        evidence=replace(
            evidence,
            hazard=evidence.hazard[rows],
            survival=evidence.survival[rows],
            exposed=evidence.exposed[rows],
            quiet_s=evidence.quiet_s[rows],
            trust=evidence.trust[rows],
            starts=replace(evidence.starts, hazard=evidence.starts.hazard[rows], exposed=evidence.starts.exposed[rows]),
        ),
        part=np.concatenate((part, np.full(len(own), OFF_THE_MAP))),
        weights=np.concatenate((weights * (1.0 - off), np.full(len(own), off / len(own)))),
        n_parts=n_parts,
    )
