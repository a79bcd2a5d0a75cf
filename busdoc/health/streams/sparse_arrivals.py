"""Every arrival of the streams that have few: commands and other frames that are sent when something happens.

A stream that turns out to have many is forgotten, so memory stays bounded; where the blocks are cut changes nothing.
"""

import numpy as np

from busdoc.arrays import BoolArray, Int64Array

__all__ = ["SparseArrivals"]

_ROOM = 8192
_STREAMS_WITH_ROOM = 256
_ROOM_BEYOND = 256
"""Arrivals kept of each stream; a capture with more streams than most machines have keeps fewer of each."""
_TIDY_FROM = 1 << 18
_MOST_PARTS = 1 << 12


class SparseArrivals:
    """Times of arrival of many streams, as long as each has few."""

    def __init__(self) -> None:
        self._is_few: BoolArray = np.zeros(0, np.bool_)
        self._n: Int64Array = np.zeros(0, np.int64)
        self._parts: list[tuple[Int64Array, Int64Array]] = []
        self._n_stored = 0
        self._tidy_at = _TIDY_FROM

    def feed(self, row: Int64Array, t_ns: Int64Array) -> None:
        """Take arrivals in the order of time.

        Parameters
        ----------
        row : (n,) the stream of each arrival
        t_ns : (n,) non-decreasing
        """
        if not len(row):
            return
        self._make_room(int(row.max()) + 1)
        few: BoolArray = self._is_few[row]
        if not few.any():
            return
        rows, times_ns = row[few], t_ns[few]
        self._n += np.bincount(rows, minlength=len(self._n))
        self._is_few = self._n <= _rooms(len(self._n))
        kept: BoolArray = self._is_few[rows]
        self._parts.append((rows[kept], times_ns[kept]))
        self._n_stored += int(kept.sum())
        if self._n_stored >= self._tidy_at or len(self._parts) >= _MOST_PARTS:
            self._tidy()

    def of(self, row: int) -> Int64Array | None:
        """Give the arrivals of a stream, ns, ascending; None when they were too many."""
        if row >= len(self._n):
            return np.empty(0, np.int64)
        if not self._is_few[row]:
            return None
        self._tidy()
        rows, t_ns = self._parts[0]
        first, last = np.searchsorted(rows, (row, row + 1))
        return t_ns[first:last].copy()

    def _tidy(self) -> None:
        """Join the parts by stream, without those that turned out to have many."""
        if len(self._parts) == 1 and self._tidy_at == 2 * self._n_stored + _TIDY_FROM:
            return
        rows = np.concatenate([np.empty(0, np.int64), *(part[0] for part in self._parts)])
        t_ns = np.concatenate([np.empty(0, np.int64), *(part[1] for part in self._parts)])
        few = np.flatnonzero(self._is_few[rows]) if len(rows) else np.empty(0, np.int64)
        order = few[np.argsort(rows[few], kind="stable")]
        self._parts = [(rows[order], t_ns[order])]
        self._n_stored = len(order)
        self._tidy_at = 2 * self._n_stored + _TIDY_FROM

    def _make_room(self, n: int) -> None:
        if n > len(self._n):
            more = max(n, 2 * len(self._n), 16) - len(self._n)
            self._n = np.pad(self._n, (0, more))
            self._is_few = self._n <= _rooms(len(self._n))


def _rooms(n: int) -> Int64Array:
    """(n,) Give how many arrivals are kept of each stream."""
    return np.where(np.arange(n) < _STREAMS_WITH_ROOM, np.int64(_ROOM), np.int64(_ROOM_BEYOND))
