"""Stores the changes that were kept, by slot, in bounded memory."""

import numpy as np

from busdoc.decode.signal_fold import Changes
from busdoc.decode.signal_state import FEW, Count, Policy, SignalState

__all__ = ["ChangeStore"]

_TIDY_FROM = 1 << 18


class ChangeStore:
    """Changes as they come; those of a slot that turned out to have many values are thinned to those of status."""

    def __init__(self) -> None:
        self._parts: list[Changes] = []
        self._n_stored = 0
        self._tidy_at = _TIDY_FROM

    def add(self, changes: Changes, state: SignalState) -> None:
        """Take in changes; those of one slot must come in the order of time."""
        self._parts.append(changes)
        self._n_stored += len(changes.slot)
        if self._n_stored >= self._tidy_at or len(self._parts) > _TIDY_FROM >> 4:
            self._tidy(state)

    def of(self, slots: tuple[int, ...], state: SignalState) -> Changes:
        """Give the changes of some slots, in the order of time, then of slots."""
        self._tidy(state)
        everything = self._parts[0] if self._parts else _join([])
        mine = _select(everything, np.isin(everything.slot, slots))
        return _select(mine, np.lexsort((mine.slot, mine.t_ns)))

    def _tidy(self, state: SignalState) -> None:
        """Join the parts, without what its slot's policy does not keep any more."""
        everything = _join(self._parts)
        many = (state.policy == Policy.FEW_VALUED) & (state.counts[:, Count.DISTINCT] > FEW)
        kept = everything.is_status | ~many[everything.slot]
        if not kept.all():
            everything = _select(everything, np.flatnonzero(kept))
        self._parts = [everything]
        self._n_stored = len(everything.slot)
        self._tidy_at = 2 * self._n_stored + _TIDY_FROM


def _select(changes: Changes, index: "np.ndarray[tuple[int, ...], np.dtype[np.int64 | np.bool_]]") -> Changes:
    return Changes(
        slot=changes.slot[index],
        t_ns=changes.t_ns[index],
        bits=changes.bits[index],
        status=changes.status[index],
        is_status=changes.is_status[index],
    )


def _join(parts: list[Changes]) -> Changes:
    return Changes(
        slot=np.concatenate([np.empty(0, np.int64), *(part.slot for part in parts)]),
        t_ns=np.concatenate([np.empty(0, np.int64), *(part.t_ns for part in parts)]),
        bits=np.concatenate([np.empty(0, np.int64), *(part.bits for part in parts)]),
        status=np.concatenate([np.empty(0, np.uint8), *(part.status for part in parts)]),
        is_status=np.concatenate([np.empty(0, np.bool_), *(part.is_status for part in parts)]),
    )
