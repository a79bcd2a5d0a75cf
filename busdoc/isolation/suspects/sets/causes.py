"""What the enumeration runs over: the parts of the map, each bad from the start or gone bad later, and what is off it.

A map of controllers alone, or none at all, says nothing of what hangs on them, supplies them or carries their bus. The
share of the suspicion that belongs to those is not given to the controllers for want of better: it goes to one cause
off the map for each controller, which troubles that controller and no other.

A plug that no map knows may hang on any controller, but it hangs on one: where several fell, each by itself, it is as
many causes as it has places, and none of them explains what fell elsewhere.
"""

from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.evidence import Evidence
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.fault_onset import choose_late
from busdoc.isolation.suspects.press_timing import EXTRA, SPARED
from busdoc.isolation.suspects.prior import branches_by_hand, share_of_groups_off_the_map, share_off_the_map
from busdoc.machine.machine import Machine

__all__ = ["OFF_THE_MAP", "Causes", "list_causes"]

OFF_THE_MAP = -1
"""In place of a part's index: no index, by definition."""
_MOST_HOMES = 8
"""Places that are tried for a plug that no map knows, those that fell most (bound on work)."""


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
    group = _common(reach, evidence) if len(own) else None
    of_group = 0.0 if group is None else min(share_of_groups_off_the_map(machine), off)
    group = group if of_group > 0.0 else None
    places = _places(machine, reach, evidence)  # (H, K)
    loose = np.array([p for p, part in enumerate(reach.parts) if part not in machine and len(places)], np.int64)
    elsewhere = np.repeat(np.arange(1, max(len(places), 1)), len(loose))  # the first place is the part's own row
    late = choose_late(evidence.late, evidence.hazard, evidence.survival)
    common = np.empty(0, np.int64) if group is None else np.array([group[0]])
    further = np.concatenate((own, common, np.tile(loose, max(len(places) - 1, 0))))
    rows = np.concatenate((np.arange(n_parts), further, np.array([p for p, _ in late], np.int64)))
    hazard, survival = evidence.hazard[rows], evidence.survival[rows]
    starts = evidence.starts.hazard[rows]
    weights = weights * (1.0 - off)
    weights[loose] /= max(len(places), 1)
    # What is off the map hangs on any controller; beside branches that only the journal names, on those in trouble too.
    at_home = np.ones(len(own), np.bool_)
    if branches_by_hand(machine, reach.parts) and evidence.hit is not None:
        fell = {reach.controllers[c] for c in np.flatnonzero(evidence.hit.any(axis=0)).tolist()}
        at_home = np.array([reach.parts[p] in fell for p in own], np.bool_)
        at_home |= not at_home.any()
    n_off = n_parts + len(own) + len(common)
    shared = np.concatenate(
        (
            weights,
            (off - of_group) * at_home / max(int(at_home.sum()), 1),
            np.full(len(common), of_group),
            weights[further[len(own) + len(common) :]],
        )
    )
    if group is not None:
        hazard[n_off - 1] = group[1]
    if len(loose):
        hazard[loose] *= places[0][None, :, None]
        hazard[n_off : n_parts + len(further)] *= places[elsewhere][:, :, None]
    for q, (p, k) in enumerate(late, start=n_parts + len(further)):
        hazard[q, :k] = 0.0
        hazard[q, k] = evidence.late.first[p, k]
        hazard[q, k + 1 :] = evidence.late.hazard[p, k + 1 :]
        if p in loose:
            hazard[q] *= places[0][:, None]
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
        part=np.concatenate(
            (
                np.arange(n_parts),
                np.full(len(own) + len(common), OFF_THE_MAP),
                further[len(own) + len(common) :],
                np.array([p for p, _ in late], np.int64),
            )
        ),
        late=np.arange(len(rows)) >= n_parts + len(further),
        weights=np.concatenate((shared, begun)) / (1.0 + begun.sum()),
        n_parts=n_parts,
    )


def _common(reach: Reach, evidence: Evidence) -> tuple[int, Float64Array] | None:
    """Give what several controllers hang on, and no map shows: whose quiet it has, and its hazards (K, R).

    It is as each of those who fell, but that the others fell with it is no chance. None: no two fell together.
    """
    hit = evidence.hit
    if hit is None or not (hit.sum(axis=1) > 1).any():
        return None
    row = np.array([reach.parts.index(name) if name in reach.parts else -1 for name in reach.controllers])
    hazard = np.zeros(evidence.hazard.shape[1:])
    for k in range(len(hit)):
        fell = row[hit[k] & (row >= 0)]
        if len(fell):
            alone = SPARED if hit[k].sum() == 1 else 1.0
            hazard[k] = alone * evidence.hazard[fell, k].max(axis=0) / EXTRA ** (int(hit[k].sum()) - 1)
    together = hit[hit.sum(axis=1) > 1].sum(axis=0) * (row >= 0)
    return int(row[int(together.argmax())]), hazard


def _places(machine: Machine, reach: Reach, evidence: Evidence) -> Float64Array:
    """(H, K) by each place that a plug no map knows may have, what each incident counts for it there.

    Places are the controllers that fell alone, or where none did those that fell; the one that fell most comes first.
    That others fell with that one is chance, as for any branch. None where only one controller ever fell.
    """
    hit = evidence.hit
    if hit is None or all(part in machine for part in reach.parts):
        return np.empty((0, evidence.hazard.shape[1]))
    n_fell = hit.sum(axis=1)
    alone = hit[n_fell == 1]
    often = (alone if len(alone) else hit).sum(axis=0)
    homes = np.argsort(-often, kind="stable")[: min(int((often > 0).sum()), _MOST_HOMES)]
    if hit.any(axis=0).sum() < 2:
        return np.empty((0, len(hit)))
    counts: Float64Array = np.where(hit[:, homes].T, EXTRA ** np.maximum(n_fell - 1, 0)[None, :], 0.0)
    return counts
