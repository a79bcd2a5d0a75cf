"""Every change of the payload bits that change seldom: switches and states of which no database tells.

Bits that change all the time (counters, checksums, measured values) are forgotten, so memory stays bounded; where the
blocks are cut changes nothing, and neither does which of the two paths did the work.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, UInt16Array, UInt64Array
from busdoc.kernels.choice import repays_by_frames

__all__ = ["MOST_CHANGES", "MOST_STREAMS", "BitChanges", "PayloadBits"]

MOST_CHANGES = 1024
"""A bit that changes more often than this is no switch."""
MOST_STREAMS = 256
_BITS = 64
"""Streams times bits times two values are numbered by 16 bits."""
_TIDY_FROM = 1 << 18
_MOST_PARTS = 1 << 12
_KERNEL = "busdoc.health.streams.payload_bits_kernel"
_COMPILED_FROM_ROWS = 20_000
"""A live bus sends small blocks: it must never wait for the kernel to load."""
_AT_ONCE = 1 << 16
_FEW_CHANGES = 512
_GATHERED = 4096
"""Frames that are compared at once: bits that change all the time are soon known, and cost nothing from then on."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BitChanges:
    """The changes of one bit of one stream into one value."""

    row: int
    """The stream."""
    bit: int
    """0 … 63: byte `bit // 8` of the payload, bit `bit % 8` of it, the least significant one first."""
    became: int
    """0 or 1."""
    t_ns: Int64Array
    """(n,) ascending: the frame that first showed it."""


class PayloadBits:
    """Follows the first eight payload bytes of many streams.

    Parameters
    ----------
    compiled : use the compiled kernel always or never; None: for large blocks of long captures
    """

    def __init__(self, *, compiled: bool | None = None) -> None:
        self._compiled = compiled
        self._n_seen = 0
        self._last: UInt64Array = np.zeros(MOST_STREAMS, np.uint64)
        self._known: UInt8Array = np.zeros(MOST_STREAMS, np.uint8)
        self._busy: UInt64Array = np.zeros(MOST_STREAMS, np.uint64)
        self._count: Int64Array = np.zeros((MOST_STREAMS, _BITS), np.int64)
        self._parts: list[tuple[UInt16Array, Int64Array]] = []
        self._n_stored = 0
        self._tidy_at = _TIDY_FROM

    def feed(self, row: Int64Array, t_ns: Int64Array, data: UInt8Array) -> None:
        """Take frames in the order of time.

        Parameters
        ----------
        row : (n,) the stream of each frame; streams beyond the first 256 are passed over
        t_ns : (n,) non-decreasing
        data : (n, 8) payloads
        """
        if not len(row):
            return
        self._n_seen += len(row)
        words = np.ascontiguousarray(data).view("<u8").reshape(-1).astype(np.uint64, copy=False)
        compiled = self._compiled
        if compiled is None:
            compiled = len(row) >= _COMPILED_FROM_ROWS and repays_by_frames(self._n_seen, _KERNEL)
        if compiled:
            self._take_compiled(np.ascontiguousarray(row), np.ascontiguousarray(t_ns), words)
        else:
            for first in range(0, len(row), _GATHERED):
                piece = slice(first, first + _GATHERED)
                self._take(row[piece], t_ns[piece], words[piece])
        if self._n_stored >= self._tidy_at or len(self._parts) >= _MOST_PARTS:
            self._tidy()

    def changes(self) -> Iterator[BitChanges]:
        """Give the changes of every bit that changed, and not too often, by stream, bit and value."""
        self._tidy()
        keys, t_ns = self._parts[0]
        edges = np.append(np.flatnonzero(np.diff(keys.astype(np.int64), prepend=-1)), len(keys))
        for start, end in pairwise(edges.tolist()):
            key = int(keys[start])
            yield BitChanges(row=key // (2 * _BITS), bit=key // 2 % _BITS, became=key % 2, t_ns=t_ns[start:end].copy())

    def _take(self, row: Int64Array, t_ns: Int64Array, words: UInt64Array) -> None:
        """Sort a block by stream, and compare each frame with the one before it."""
        order = np.argsort(np.minimum(row, MOST_STREAMS).astype(np.uint16), kind="stable")  # sorted by radix
        order = order[: np.count_nonzero(row < MOST_STREAMS)]
        if not len(order):
            return
        rows, word = row[order], words[order]
        before = np.empty_like(word)
        before[1:] = word[:-1]
        start = np.flatnonzero(np.diff(rows, prepend=-1))
        stream = rows[start]
        before[start] = np.where(self._known[stream] != 0, self._last[stream], word[start])
        end = np.append(start[1:], len(rows)) - 1
        self._last[stream], self._known[stream] = word[end], 1
        changed = (word ^ before) & ~self._busy[rows]
        at = np.flatnonzero(changed)
        if not len(at):
            return
        flags = np.unpackbits(changed[at].astype("<u8").view(np.uint8).reshape(-1, 8), axis=1, bitorder="little")
        which, bit = np.nonzero(flags)
        frame = at[which]
        became = (word[frame] >> bit.astype(np.uint64)) & np.uint64(1)
        place = rows[frame] * _BITS + bit
        count = self._count.reshape(-1)
        if len(place) < _FEW_CHANGES:
            np.add.at(count, place, 1)
        else:
            count += np.bincount(place, minlength=len(count))
        busy = np.flatnonzero(count[place] > MOST_CHANGES)
        np.bitwise_or.at(self._busy, rows[frame[busy]], np.uint64(1) << bit[busy].astype(np.uint64))
        key = 2 * place + became.astype(np.int64)
        self._store(key, t_ns[order[frame]])

    def _take_compiled(self, row: Int64Array, t_ns: Int64Array, words: UInt64Array) -> None:
        from busdoc.health.streams.payload_bits_kernel import take_bits  # loads LLVM: 30 ms

        first = 0
        while first < len(row):
            key, at_ns = np.empty(_AT_ONCE, np.int64), np.empty(_AT_ONCE, np.int64)
            first, n = take_bits(
                first, row, t_ns, words, self._last, self._known, self._busy, self._count, MOST_CHANGES, key, at_ns
            )
            self._store(key[:n], at_ns[:n])

    def _store(self, key: Int64Array, t_ns: Int64Array) -> None:
        kept = self._count.reshape(-1)[key // 2] <= MOST_CHANGES
        if kept.any():
            self._parts.append((key[kept].astype(np.uint16), t_ns[kept]))
            self._n_stored += int(kept.sum())

    def _tidy(self) -> None:
        """Join the parts by bit and value, without those that turned out to change too often."""
        key = np.concatenate([np.empty(0, np.uint16), *(part[0] for part in self._parts)])
        t_ns = np.concatenate([np.empty(0, np.int64), *(part[1] for part in self._parts)])
        kept = np.flatnonzero(self._count.reshape(-1)[key // 2] <= MOST_CHANGES)
        order = kept[np.argsort(key[kept], kind="stable")]
        self._parts = [(key[order], t_ns[order])]
        self._n_stored = len(order)
        self._tidy_at = 2 * self._n_stored + _TIDY_FROM
