"""Stores the changes that were kept, by slot, in bounded memory."""

from collections.abc import Sequence

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.decode.signal_fold import Changes
from busdoc.decode.signal_state import FEW, Count, Policy, SignalState

__all__ = ["ChangeStore"]

_TIDY_FROM = 1 << 18
_MOST_PARTS = 1 << 14


class ChangeStore:
    """Changes as they come; those of a slot that turned out to have many values are thinned to those of status."""

    def __init__(self) -> None:
        self._parts: list[Changes] = []
        self._n_stored = 0
        self._tidy_at = _TIDY_FROM
        self._is_tidy = True

    def add(self, changes: Changes, state: SignalState) -> None:
        """Take in changes; those of one slot must come in the order of time."""
        self._parts.append(changes)
        self._n_stored += len(changes.slot)
        self._is_tidy = False
        if self._n_stored >= self._tidy_at or len(self._parts) >= _MOST_PARTS:
            self._tidy(state)

    def of(self, slots: Sequence[int], state: SignalState) -> Changes:
        """Give the changes of some slots, in the order of time, then of slots."""
        if not self._is_tidy:
            self._tidy(state)
        everything = _join(self._parts)
        wanted = np.array(sorted(slots), np.int64)
        edges = np.searchsorted(everything.slot, (wanted, wanted + 1))
        mine = np.concatenate([np.empty(0, np.int64), *(np.arange(first, last) for first, last in edges.T)])
        return _select(everything, mine[np.argsort(everything.t_ns[mine], kind="stable")])

    def _tidy(self, state: SignalState) -> None:
        """Join the parts in the order of slots, without what a slot's policy does not keep any more."""
        everything = _join(self._parts)
        many = (state.policy == Policy.FEW_VALUED) & (state.counts[:, Count.DISTINCT] > FEW)
        everything = _select(everything, everything.is_status | ~many[everything.slot])
        self._parts = [_select(everything, np.argsort(everything.slot, kind="stable"))]
        self._n_stored = len(everything.slot)
        self._tidy_at = 2 * self._n_stored + _TIDY_FROM
        self._is_tidy = True


def _select(changes: Changes, index: Int64Array | BoolArray) -> Changes:
    return Changes(
        slot=changes.slot[index],
        t_ns=changes.t_ns[index],
        bits=changes.bits[index],
        status=changes.status[index],
        is_status=changes.is_status[index],
    )


def _join(parts: list[Changes]) -> Changes:
    if len(parts) == 1:
        return parts[0]
    return Changes(
        slot=np.concatenate([np.empty(0, np.int64), *(part.slot for part in parts)]),
        t_ns=np.concatenate([np.empty(0, np.int64), *(part.t_ns for part in parts)]),
        bits=np.concatenate([np.empty(0, np.int64), *(part.bits for part in parts)]),
        status=np.concatenate([np.empty(0, np.uint8), *(part.status for part in parts)]),
        is_status=np.concatenate([np.empty(0, np.bool_), *(part.is_status for part in parts)]),
    )
