"""Kinds of events that happen at the same moments: a command and its echo, two signals of one switch.

Nothing in the record can tell which of them matters, so they are told as one, under the name of the earliest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.event_kind import EventKind
from busdoc.arrays import BoolArray, Int64Array

__all__ = ["Alike", "join_alike"]

_TOGETHER_NS = 500_000_000
"""An echo may take a few periods of its message (common practice)."""
_SHARE = 0.9
"""Of the events of either kind that must have the other beside them."""
_SAMPLE = 12
_SPARSE = 8
"""Events must come so many times further apart, in the middle, than what counts as the same moment."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alike:
    """One kind, and what happens together with it."""

    kind: EventKind
    aliases: tuple[str, ...] = ()


def join_alike(kinds: Sequence[EventKind]) -> tuple[Alike, ...]:
    """Join kinds that happen at the same moments, in the order in which they were given.

    Kinds whose times are not sure are left alone.
    """
    kinds = tuple(kinds)
    by_size = sorted((k for k, kind in enumerate(kinds) if kind.is_sure), key=lambda k: (len(kinds[k]), k))
    leader = list(range(len(kinds)))
    for at, i in enumerate(by_size):
        if leader[i] != i:
            continue
        most = len(kinds[i]) / _SHARE
        sample = _sample(kinds[i].t_ns)
        for j in by_size[at + 1 :]:
            if len(kinds[j]) > most:
                break
            if leader[j] == j and _near(sample, kinds[j].t_ns).mean() >= 0.5 and _are_alike(kinds[i], kinds[j]):
                leader[j] = i
    members: dict[int, list[int]] = {}
    for k, first in enumerate(leader):
        members.setdefault(first, []).append(k)
    joined = []
    for group in members.values():
        ranked = sorted(group, key=lambda k: (int(np.median(_lead(kinds[k].t_ns, kinds[group[0]].t_ns))), k))
        joined.append((min(group), Alike(kind=kinds[ranked[0]], aliases=tuple(kinds[k].name for k in ranked[1:]))))
    return tuple(alike for _, alike in sorted(joined, key=lambda one: one[0]))


def _sample(t_ns: Int64Array) -> Int64Array:
    return t_ns[np.linspace(0, len(t_ns) - 1, min(len(t_ns), _SAMPLE)).astype(np.int64)]


def _are_alike(one: EventKind, other: EventKind) -> bool:
    if min(_pause_ns(one.t_ns), _pause_ns(other.t_ns)) < _SPARSE * _TOGETHER_NS:
        return False
    return bool(_near(one.t_ns, other.t_ns).mean() >= _SHARE and _near(other.t_ns, one.t_ns).mean() >= _SHARE)


def _pause_ns(t_ns: Int64Array) -> float:
    return float(np.median(np.diff(t_ns))) if len(t_ns) > 1 else np.inf


def _near(t_ns: Int64Array, others_ns: Int64Array) -> BoolArray:
    """(n,) Mark what has one of the others at the same moment."""
    n_before = np.searchsorted(others_ns, t_ns - _TOGETHER_NS, side="left")
    return np.asarray(np.searchsorted(others_ns, t_ns + _TOGETHER_NS, side="right") > n_before)


def _lead(t_ns: Int64Array, others_ns: Int64Array) -> Int64Array:
    """(n,) Give how long after the nearest of the others each is; negative: before it."""
    after = np.searchsorted(others_ns, t_ns)
    right_ns = others_ns[np.minimum(after, len(others_ns) - 1)]
    left_ns = others_ns[np.maximum(after - 1, 0)]
    nearest = np.where(np.abs(right_ns - t_ns) < np.abs(t_ns - left_ns), right_ns, left_ns)
    return np.asarray(t_ns - nearest, np.int64)
