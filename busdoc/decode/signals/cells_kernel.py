"""The compiled path of filling cells: the same as `CellRows.take`, for millions of frames.

Frames come in the order of time, so one cell is filled at a time: the state of all series stays in the cache, frames
need not be sorted by stream, and a value is scaled only when its cell is over.
"""

from typing import Any, NamedTuple

import numpy as np

from busdoc.arrays import (
    BoolArray,
    Float32Array,
    Float64Array,
    Int64Array,
    UInt8Array,
    UInt16Array,
    UInt32Array,
    UInt64Array,
)
from busdoc.capture.frames import ERROR, EXTENDED, REMOTE
from busdoc.decode.signals.cells_table import Part
from busdoc.decode.signals.stream_intervals import NEVER_NS
from busdoc.kernels.compiled import compiled

__all__ = ["Apart", "Cells", "Frames", "Intervals", "Table", "fold_frames"]

_MOST = np.iinfo(np.int64).max
_LEAST = np.iinfo(np.int64).min
_NEVER_NS = NEVER_NS

_DOWN, _MASK, _LAST_VALID, _NEEDED = Part.DOWN, Part.MASK, Part.LAST_VALID, Part.NEEDED
_SIGN, _REVERSED, _PLAIN = Part.SIGN, Part.REVERSED, Part.PLAIN
_NAMED_FROM, _NAMED_TO = Part.NAMED_FROM, Part.NAMED_TO


class Frames(NamedTuple):
    """The columns of a block, (n,) each, in the order of time."""

    t_ns: Int64Array
    channel: UInt8Array
    id: UInt32Array
    flags: UInt16Array
    n_bytes: UInt8Array
    words: UInt64Array
    """The first 8 bytes of each."""


class Table(NamedTuple):
    """The arrays of `CellTable`."""

    keys: Int64Array
    stream_of_key: Int64Array
    first_value: Int64Array
    is_apart: BoolArray
    interval_of: Int64Array
    parts: Int64Array
    named_raw: UInt64Array
    named_valid: BoolArray
    factors: Float64Array
    row_of: Int64Array


class Intervals(NamedTuple):
    """The arrays of `StreamIntervals`."""

    most_ns: Int64Array
    """(k,) beyond it an interval is none."""
    last_ns: Int64Array
    """(k,) the last frame of each one's stream: changed."""


class Cells(NamedTuple):
    """The cells, and the arrays of `CellRows`: changed."""

    edges_ns: Int64Array
    """(cells + 1,) ascending."""
    low: Float32Array
    """(rows, cells), as are the others."""
    high: Float32Array
    last: Float32Array


class Apart(NamedTuple):
    """The frames of streams worked on elsewhere: written."""

    row: Int64Array
    stream: Int64Array


def _signature(name: str) -> Any:
    """Give the signature of one of the kernels that take records."""
    import numba
    from numba import boolean, float32, float64, int64, uint8, uint16, uint32, uint64

    record: Any = numba.types.BaseTuple.from_types  # untyped
    frames = record((int64[::1], uint8[::1], uint32[::1], uint16[::1], uint8[::1], uint64[::1]), Frames)
    table = record(
        (
            *(int64[::1], int64[::1], int64[::1], boolean[::1], int64[::1]),
            *(int64[:, ::1], uint64[::1], boolean[::1], float64[:, ::1], int64[::1]),
        ),
        Table,
    )
    intervals = record((int64[::1], int64[::1]), Intervals)
    cells = record((int64[::1], float32[:, ::1], float32[:, ::1], float32[:, ::1]), Cells)
    apart = record((int64[::1], int64[::1]), Apart)
    if name == "_write":
        return numba.void(int64, int64[:, ::1], table, cells)
    return int64(frames, table, intervals, cells, apart, int64[:, ::1])


@compiled("uint64(uint64)")
def _reversed(word: Any) -> Any:
    """Reverse the bytes of a word."""
    word = ((word & np.uint64(0x00FF00FF00FF00FF)) << np.uint64(8)) | (
        (word >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    )
    word = ((word & np.uint64(0x0000FFFF0000FFFF)) << np.uint64(16)) | (
        (word >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    )
    return (word << np.uint64(32)) | (word >> np.uint64(32))


@compiled("Tuple((int64, boolean))(uint64, int64[::1], uint64[::1], boolean[::1])")
def _taken_out(word: Any, part: Any, named_raw: Any, named_valid: Any) -> Any:
    """Take any whole number out of a word, and say whether it is a value."""
    ordered = _reversed(word) if part[_REVERSED] else word
    number = (ordered >> np.uint64(part[_DOWN])) & np.uint64(part[_MASK])
    valid = number <= np.uint64(part[_LAST_VALID])
    for named in range(part[_NAMED_FROM], part[_NAMED_TO]):
        if number == named_raw[named]:
            valid = named_valid[named]
    return np.int64(number << np.uint64(part[_SIGN])) >> part[_SIGN], valid


@compiled(_signature)
def _write(cell: Any, state: Any, table: Any, cells: Any) -> None:
    """Put what one cell has gathered into the rows, and begin anew.

    Scaling and rounding keep the order of numbers or turn it round, so extremes of raw numbers are extremes of values.
    """
    factors, row_of = table.factors, table.row_of
    low, high, last = cells.low, cells.high, cells.last
    for slot in range(len(state)):
        if state[slot, 0] > state[slot, 1]:
            continue
        scale, divisor, offset = factors[slot, 0], factors[slot, 1], factors[slot, 2]
        least = np.float32(np.float64(state[slot, 0]) * scale / divisor + offset)
        most = np.float32(np.float64(state[slot, 1]) * scale / divisor + offset)
        row = row_of[slot]
        low[row, cell] = min(low[row, cell], min(least, most))
        high[row, cell] = max(high[row, cell], max(least, most))
        last[row, cell] = np.float32(np.float64(state[slot, 2]) * scale / divisor + offset)
        state[slot, 0], state[slot, 1] = _MOST, _LEAST


@compiled(_signature)
def fold_frames(frames: Any, table: Any, intervals: Any, cells: Any, apart: Any, state: Any) -> Any:
    """Take in frames in the order of time.

    Parameters
    ----------
    frames, table : `Frames`, `Table`
    intervals, cells, apart : `Intervals`, `Cells`, `Apart`: changed
    state : (values, 3) room: the least, greatest and last raw number of each value in the cell being filled

    Returns
    -------
    how many of `apart` were written
    """
    t_ns, channel, identifier, flags = frames.t_ns, frames.channel, frames.id, frames.flags
    length, words, edges_ns = frames.n_bytes, frames.words, cells.edges_ns
    keys, stream_of_key, first_value = table.keys, table.stream_of_key, table.first_value
    is_apart, interval_of, parts = table.is_apart, table.interval_of, table.parts
    named_raw, named_valid = table.named_raw, table.named_valid
    most_ns, last_ns = intervals.most_ns, intervals.last_ns
    n_cells = len(edges_ns) - 1
    state[:, 0], state[:, 1] = _MOST, _LEAST
    cell = np.searchsorted(edges_ns, t_ns[0], side="right") - 1 if len(t_ns) else 0
    next_ns = edges_ns[cell + 1] if cell < n_cells else _MOST
    n_apart = 0
    last_place = np.uint64(len(keys) - 1)
    for at in range(len(t_ns)):
        # a cell that is over is written, and the next one with this frame in it begins
        if t_ns[at] >= next_ns:
            if cell >= 0:
                _write(cell, state, table, cells)
            while cell < n_cells and edges_ns[cell + 1] <= t_ns[at]:
                cell += 1
            next_ns = edges_ns[cell + 1] if cell < n_cells else _MOST
        # the frame's stream, by an open hash table
        key = (np.int64(channel[at]) << 32) | (np.int64(flags[at] & EXTENDED) << 31) | np.int64(identifier[at])
        place = (np.uint64(key * np.int64(0x9E3779B97F4A7C1)) >> np.uint64(20)) & last_place
        found = keys[place]
        while found != key and found != -1:
            place = (place + np.uint64(1)) & last_place
            found = keys[place]
        if found != key or flags[at] & ERROR:
            continue
        stream = np.uint64(stream_of_key[place])  # unsigned, since signed places may count from the end: slower
        end = np.uint64(first_value[stream + np.uint64(1)])
        # the interval since its last frame, where that is wanted
        inside = 0 <= cell < n_cells
        k = interval_of[stream]
        if k >= 0:
            end -= np.uint64(1)
            interval_ns = t_ns[at] - last_ns[k]
            if inside and last_ns[k] != _NEVER_NS and interval_ns <= most_ns[k]:
                state[end, 0] = min(state[end, 0], interval_ns)
                state[end, 1] = max(state[end, 1], interval_ns)
                state[end, 2] = interval_ns
            last_ns[k] = t_ns[at]
        # its values, where it holds any and they are plain; the others are left to the general way
        if flags[at] & REMOTE or not inside:
            continue
        if is_apart[stream]:
            apart.row[n_apart], apart.stream[n_apart] = at, stream
            n_apart += 1
            continue
        n_bytes, word = np.int64(length[at]), words[at]
        for here in range(np.uint64(first_value[stream]), end):
            if n_bytes < parts[here, _NEEDED]:
                continue
            if parts[here, _PLAIN]:
                value = np.int64((word >> np.uint64(parts[here, _DOWN])) & np.uint64(parts[here, _MASK]))
                if value > parts[here, _LAST_VALID]:
                    continue
            else:
                value, valid = _taken_out(word, parts[here], named_raw, named_valid)
                if not valid:
                    continue
            state[here, 0] = min(state[here, 0], value)
            state[here, 1] = max(state[here, 1], value)
            state[here, 2] = value
    if 0 <= cell < n_cells:
        _write(cell, state, table, cells)
    return n_apart
