"""How likely each part is to be the culprit before any trial: its kind, the map's word, what a code points at.

The shares below are a rule of the trade (common practice): branches and what hangs on them fail far more often than
controllers, supply or trunk wiring.
"""

from collections.abc import Collection, Iterable, Sequence

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.health.codes.code import FaultCode
from busdoc.machine.machine import Machine, PartKind
from busdoc.symptoms.symptom import Symptom

__all__ = [
    "SET_SIZE_PRIOR",
    "branches_by_hand",
    "kind_of",
    "part_weights",
    "share_of_groups_off_the_map",
    "share_off_the_map",
]

SET_SIZE_PRIOR: Float64Array = np.array([0.15, 0.72, 0.11, 0.02])
"""No part on the map at fault, one, two, three (common practice: most troubles have one cause, about one in seven none
that the map knows, and about as many more than one)."""
_SHARE = {"branch": 0.62, "controller": 0.14, "feed": 0.12, "segment": 0.12}
"""Of troubles, by the group of parts at fault (common practice: most of them hang on a branch)."""
_WITHIN_BRANCH: dict[PartKind | None, float] = {
    PartKind.HARNESS: 1.0,
    PartKind.SENSOR: 1.0,
    PartKind.CONNECTOR: 0.8,
    PartKind.LEAD: 0.7,
    PartKind.ACTUATOR: 0.6,
    PartKind.TERMINATOR: 0.2,
}
"""Of parts of a branch, against a harness (common practice: what moves, bends or gets wet goes first)."""
_NOT_NAMED = 1.0
"""Branches of the troubled controller that a journal without a map has not named, beside those that were tried (common
practice: what is suspected is tried, and one more may hang there)."""
_POINTED_AT = 4.0
"""A code that names a kind of part makes parts of that kind likelier by this much (common practice: it names the
circuit, and the fault may be at either end of it or between)."""

_FAILURE_MODE = 2.0
"""A failure mode makes parts of the kinds that it speaks of likelier by this much (common practice: the rules of thumb
hold more often than not, and no more)."""


def kind_of(machine: Machine, part: str) -> PartKind | None:
    """Give a part's kind; None for a controller, and for a name that the map does not know."""
    known = machine.parts.get(part)
    return None if known is None else known.kind


def part_weights(
    machine: Machine,
    parts: Sequence[str],
    controllers: Iterable[str],
    codes: Sequence[FaultCode] = (),
    symptom: Symptom | None = None,
    troubled: Collection[str] = (),
) -> Float64Array:
    """Weigh parts against one another.

    Parameters
    ----------
    troubled : controllers that fell. A branch that only the journal names hangs on one of them, if it is to be
        suspected; so beside such branches the share of all controllers is that of those in trouble
    codes : those that say where to look
    symptom : what is isolated, where it is no dropout: it may point too, and its failure mode speaks of kinds of parts

    Returns
    -------
    (P,) float64, positive, sum 1
    """
    units = set(controllers)
    group = ["controller" if p in units else _group(kind_of(machine, p)) for p in parts]
    weights = np.array([_WITHIN_BRANCH.get(kind_of(machine, p), 1.0) for p in parts])
    for name, share in _SHARE.items():
        members = np.array([g == name for g in group], np.bool_)
        if members.any():
            weights[members] *= share / weights[members].sum()
    if branches_by_hand(machine, parts):
        fell = np.array([p in troubled for p in parts], np.bool_)
        if fell.any():
            weights[fell] = _SHARE["controller"] / fell.sum()
    stated = [_stated(machine, p) for p in parts]
    weights = np.array([w if s is None else s for w, s in zip(weights, stated, strict=True)])
    for code in codes:
        if code.points_at:
            meant = _pointed_at(machine, parts, code.controller, code.points_at)
            weights = np.where(meant, weights * _POINTED_AT, weights)
    if symptom is not None:
        said = {target for code in codes for target in code.points_at}
        more = tuple(target for target in symptom.points_at if target not in said)
        meant = _pointed_at(machine, parts, symptom.controller, more)
        weights = np.where(meant, weights * _POINTED_AT, weights)
        meant = _pointed_at(machine, parts, symptom.controller, symptom.failure_kinds)
        weights = np.where(meant, weights * _FAILURE_MODE, weights)
    total = weights.sum()
    normalised: Float64Array = weights / total if total > 0.0 else weights
    return normalised


def share_off_the_map(machine: Machine, parts: Sequence[str], controllers: Iterable[str]) -> float:
    """Give the share of the suspicion that belongs to kinds of parts which the map does not have at all.

    Parameters
    ----------
    machine : the map
    parts : all that can be suspected; those that the map does not know were named by the journal alone
    controllers : the controllers among them
    """
    known = {_group(part.kind) for part in machine.parts.values()}
    off = sum(share for name, share in _SHARE.items() if name != "controller" and name not in known)
    by_hand = set(parts) - set(controllers) - set(machine.parts)
    if not by_hand or "branch" in known:
        return off
    return off - len(by_hand) / (len(by_hand) + _NOT_NAMED) * _SHARE["branch"]


def branches_by_hand(machine: Machine, parts: Iterable[str]) -> bool:
    """Say whether all the branches that are known were named by the journal alone: they hang on who fell, if at all."""
    mapped = any(_group(part.kind) == "branch" for part in machine.parts.values())
    return not mapped and any(part not in machine for part in parts)


def share_of_groups_off_the_map(machine: Machine) -> float:
    """Give the part of that share which belongs to what several controllers hang on: supply, and bus wiring."""
    known = {_group(part.kind) for part in machine.parts.values()}
    return sum(_SHARE[name] for name in ("feed", "segment") if name not in known)


def _group(kind: PartKind | None) -> str:
    return {PartKind.FEED: "feed", PartKind.SEGMENT: "segment"}.get(kind, "branch") if kind is not None else "branch"


def _stated(machine: Machine, part: str) -> float | None:
    if part in machine.controllers:
        return machine.controllers[part].prior
    return machine.parts[part].prior if part in machine.parts else None


def _pointed_at(machine: Machine, parts: Sequence[str], controller: str | None, points_at: Sequence[str]) -> list[bool]:
    """Say which parts are meant: by name, by the sensor supply they hang on, by kind on the code's controller."""
    meant: list[bool] = []
    for part in parts:
        kind = kind_of(machine, part)
        of_kind = kind is not None and kind.value in points_at and controller in (None, machine.home(part))
        unit = part == controller and "controller" in points_at
        supplied = part in machine.parts and machine.parts[part].supply in points_at
        meant.append(part in points_at or of_kind or unit or supplied)
    return meant
