"""The payloads of some frames of one message, in the shapes that signals are taken from."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array, UInt64Array
from busdoc.capture.frames import FrameBlock, FrameFlag

__all__ = ["Payloads", "long_starts", "payload_lengths", "payload_words"]

_NO_DATA = int(FrameFlag.ERROR | FrameFlag.REMOTE)
_MOST_BYTES = 64


@dataclass(slots=True, kw_only=True, eq=False)
class Payloads:
    """n payloads."""

    length: UInt8Array
    """(n,) bytes that each really has."""
    words: UInt64Array
    """(n,) the first 8 bytes as a little-endian number."""
    matrix: UInt8Array | None
    """(n, bytes) all that the message needs, zero beyond a payload's end; None when 8 bytes hold it."""

    @classmethod
    def of(cls, block: FrameBlock, rows: Int64Array, n_bytes: int) -> "Payloads":
        """Take the first `n_bytes` of the rows' payloads; a remote or an error frame has none."""
        length = payload_lengths(block, rows)
        words = payload_words(block)[rows]
        matrix = None
        if n_bytes > 8 and len(block.long.row):
            matrix = _matrix(block, rows, min(n_bytes, _MOST_BYTES))
        return cls(length=length, words=words, matrix=matrix)


def payload_words(block: FrameBlock) -> UInt64Array:
    """Give the first 8 bytes of each row as a little-endian number, sharing memory where that can be.

    Compiled code takes writable arrays only, and never writes here.
    """
    words: UInt64Array = (
        np.require(block.data, requirements=("C", "W")).view("<u8").reshape(-1).astype(np.uint64, copy=False)
    )
    return words


def payload_lengths(block: FrameBlock, rows: Int64Array | None = None) -> UInt8Array:
    """Give the bytes that each row really has: none in a remote or an error frame, 8 where the rest was not kept."""
    length = block.length if rows is None else block.length[rows]
    flags = block.flags if rows is None else block.flags[rows]
    beyond = np.flatnonzero(length > 8)
    if len(beyond):
        not_kept = beyond[_long_at(block, beyond if rows is None else rows[beyond]) < 0]
        if len(not_kept):
            length = length.copy()
            length[not_kept] = 8
    no_data: BoolArray = (flags & np.uint16(_NO_DATA)) != 0
    return np.where(no_data, np.uint8(0), length) if no_data.any() else length


def long_starts(block: FrameBlock) -> Int64Array:
    """Give where each frame's payload begins in `block.long.bytes`; -1 for one of up to 8 bytes."""
    starts = np.full(len(block), -1, np.int64)
    starts[block.long.row] = block.long.start[:-1]
    return starts


def _long_at(block: FrameBlock, rows: Int64Array) -> Int64Array:
    """Give each row's place among the long payloads; -1 where it has none."""
    if not len(block.long.row):
        return np.full(len(rows), -1, np.int64)
    at = np.minimum(np.searchsorted(block.long.row, rows), len(block.long.row) - 1)
    return np.where(block.long.row[at] == rows, at, np.int64(-1))


def _matrix(block: FrameBlock, rows: Int64Array, n_bytes: int) -> UInt8Array:
    matrix = np.zeros((len(rows), n_bytes), np.uint8)
    matrix[:, :8] = block.data[rows]
    at = _long_at(block, rows)
    is_long = np.flatnonzero(at >= 0)
    first = block.long.start[at[is_long], None]
    last = block.long.start[at[is_long] + 1, None]
    index = first + np.arange(n_bytes)
    inside = index < last
    matrix[is_long] = np.where(inside, block.long.bytes[np.where(inside, index, 0)], np.uint8(0))
    return matrix
