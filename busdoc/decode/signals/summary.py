"""What a capture said of each signal: counts, range, and the moments at which it changed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array, UInt8Array, UInt32Array
from busdoc.decode.database.message import Signal
from busdoc.decode.signals.fold import Changes
from busdoc.decode.signals.state import FEW, Count, Policy, SignalState

__all__ = ["ChangeStore", "SignalSummary", "Transitions"]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSummary:
    """One signal of one stream; several sources may send the same message, and each is a stream of its own."""

    channel: int
    id: int
    extended: bool
    message: str
    signal: Signal
    frames: int
    """Data frames of the stream."""
    valid: int
    not_available: int
    error: int
    reserved: int
    absent: int
    """Frames too short for it, or with another branch of the multiplex."""
    minimum: float | None
    maximum: float | None
    mean: float | None
    """Of valid values, each frame counting the same; None when there were none."""
    first_value: float | None
    last_value: float | None
    first_ns: int | None
    last_ns: int | None
    n_changes: int
    """How often its raw number was another than in the frame before that held it."""
    n_status_changes: int

    @property
    def name(self) -> str:
        """``Message.Signal``."""
        return f"{self.message}.{self.signal.name}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transitions:
    """The moments at which a signal changed, n of them in the order of time, its first frame among them.

    All changes of a signal with states, of one that showed few values, and of one that is followed; of any other only
    those of status. Where several streams carry the signal, `channel` and `id` tell them apart.
    """

    name: str
    """``Message.Signal``."""
    t_ns: Int64Array
    """(n,) the frame that first said so."""
    raw: Int64Array
    """(n,) as sent; of an unsigned signal of 64 bits, the same bits signed."""
    value: Float64Array
    """(n,) NaN where `status` is not VALID."""
    label: tuple[str, ...]
    """(n,) what the database calls the raw number; empty where it has no name."""
    status: UInt8Array
    """(n,) `SignalStatus` values."""
    channel: UInt8Array
    """(n,)"""
    id: UInt32Array
    """(n,)"""
    only_status: bool
    """Changes of value alone are not among these, since the signal has too many values or counts by itself."""
    n_not_kept: int
    """Changes of the kind kept here for which there was no room: as a rule the later ones."""

    def __len__(self) -> int:
        return len(self.t_ns)
