"""The compiled path of filling cells: the same as `CellRows.take`, for millions of frames.

Frames come in the order of time, so one cell is filled at a time: the state of all series stays in the cache, frames
need not be sorted by stream, and a value is scaled only when its cell is over.
"""

from typing import Any

import numba
import numpy as np

from busdoc.capture.frames import ERROR, EXTENDED, REMOTE
from busdoc.decode.signals.cells_table import Part
from busdoc.decode.signals.stream_intervals import NEVER_NS

__all__ = ["fold_cells", "fold_frames"]

_MOST = np.iinfo(np.int64).max
_LEAST = np.iinfo(np.int64).min
_NEVER_NS = NEVER_NS

_DOWN, _MASK, _LAST_VALID, _NEEDED = Part.DOWN, Part.MASK, Part.LAST_VALID, Part.NEEDED
_SIGN, _REVERSED, _PLAIN = Part.SIGN, Part.REVERSED, Part.PLAIN
_NAMED_FROM, _NAMED_TO = Part.NAMED_FROM, Part.NAMED_TO


@numba.njit("void(float64[::1], int64[::1], float32[::1], float32[::1], float32[::1])", cache=True, nogil=True)
def fold_cells(values: Any, cell: Any, low: Any, high: Any, last: Any) -> None:
    """Take in values of one series; the state of a cell is written when the next one begins.

    Parameters
    ----------
    values : (n,) NaN where there is none
    cell : (n,) non-decreasing; negative where there is none
    low, high, last : (cells,) changed
    """
    at = 0
    while at < len(values) and cell[at] < 0:
        at += 1
    while at < len(values) and cell[at] >= 0:
        here = cell[at]
        least, most, newest = low[here], high[here], last[here]
        while at < len(values) and cell[at] == here:
            value = numba.float32(values[at])
            if value - value == 0.0:  # neither infinite nor NaN
                least = min(least, value)
                most = max(most, value)
                newest = value
            at += 1
        low[here], high[here], last[here] = least, most, newest


@numba.njit("uint64(uint64)", cache=True, nogil=True)
def _reversed(word: Any) -> Any:
    """Reverse the bytes of a word."""
    word = ((word & np.uint64(0x00FF00FF00FF00FF)) << np.uint64(8)) | (
        (word >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    )
    word = ((word & np.uint64(0x0000FFFF0000FFFF)) << np.uint64(16)) | (
        (word >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    )
    return (word << np.uint64(32)) | (word >> np.uint64(32))


@numba.njit("Tuple((int64, boolean))(uint64, int64[::1], uint64[::1], boolean[::1])", cache=True, nogil=True)
def _taken_out(word: Any, part: Any, named_raw: Any, named_valid: Any) -> Any:
    """Take any whole number out of a word, and say whether it is a value."""
    ordered = _reversed(word) if part[_REVERSED] else word
    number = (ordered >> np.uint64(part[_DOWN])) & np.uint64(part[_MASK])
    valid = number <= np.uint64(part[_LAST_VALID])
    for named in range(part[_NAMED_FROM], part[_NAMED_TO]):
        if number == named_raw[named]:
            valid = named_valid[named]
    return np.int64(number << np.uint64(part[_SIGN])) >> part[_SIGN], valid


@numba.njit(
    "void(int64, int64[:, ::1], float64[:, ::1], int64[::1], float32[:, ::1], float32[:, ::1], float32[:, ::1])",
    cache=True,
    nogil=True,
)
def _write(cell: Any, state: Any, factors: Any, row_of: Any, low: Any, high: Any, last: Any) -> None:
    """Put what one cell has gathered into the rows, and begin anew.

    Scaling and rounding keep the order of numbers or turn it round, so extremes of raw numbers are extremes of values.
    """
    for slot in range(len(state)):
        if state[slot, 0] > state[slot, 1]:
            continue
        scale, divisor, offset = factors[slot, 0], factors[slot, 1], factors[slot, 2]
        least = numba.float32(np.float64(state[slot, 0]) * scale / divisor + offset)
        most = numba.float32(np.float64(state[slot, 1]) * scale / divisor + offset)
        row = row_of[slot]
        low[row, cell] = min(low[row, cell], min(least, most))
        high[row, cell] = max(high[row, cell], max(least, most))
        last[row, cell] = numba.float32(np.float64(state[slot, 2]) * scale / divisor + offset)
        state[slot, 0], state[slot, 1] = _MOST, _LEAST


@numba.njit(
    "int64(int64[::1], uint8[::1], uint32[::1], uint16[::1], uint8[::1], uint64[::1], int64[::1], int64[::1],"
    " int64[::1], int64[::1], boolean[::1], int64[::1], int64[:, ::1], uint64[::1], boolean[::1], int64[::1],"
    " int64[::1], float64[:, ::1], int64[::1], float32[:, ::1], float32[:, ::1], float32[:, ::1], int64[::1],"
    " int64[::1])",
    cache=True,
    nogil=True,
)
def fold_frames(
    t_ns: Any,
    channel: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    words: Any,
    edges_ns: Any,
    keys: Any,
    stream_of_key: Any,
    first_value: Any,
    is_apart: Any,
    interval_of: Any,
    parts: Any,
    named_raw: Any,
    named_valid: Any,
    most_ns: Any,
    last_ns: Any,
    factors: Any,
    row_of: Any,
    low: Any,
    high: Any,
    last: Any,
    apart: Any,
    apart_stream: Any,
) -> Any:
    """Take in frames in the order of time.

    Parameters
    ----------
    t_ns … words : (frames,) columns of a block, `words` the first 8 bytes of each
    edges_ns : (cells + 1,) ascending
    keys, stream_of_key : (places,) an open hash table of a power of two places; a key of -1 is a free place
    first_value : (streams + 1,) where each stream's values begin; they end with the interval of the stream, if wanted
    is_apart : (streams,) its signals are worked on elsewhere; its interval is not
    interval_of : (streams,) the number of its interval; -1: none is wanted
    parts : (values, Part.COUNT) how each is taken out
    named_raw, named_valid : raw numbers whose name decides whether they are values
    most_ns : (intervals,) beyond it an interval is none
    last_ns : (intervals,) the last frame of each one's stream: changed
    factors : (values, 3) scale, divisor, offset
    row_of : (values,) which row each fills
    low, high, last : (rows, cells) changed
    apart, apart_stream : (frames,) the frames of streams worked on elsewhere, and their streams: written

    Returns
    -------
    how many of `apart` were written
    """
    n_cells = len(edges_ns) - 1
    state = np.empty((len(parts), 3), np.int64)
    state[:, 0], state[:, 1] = _MOST, _LEAST
    cell = np.searchsorted(edges_ns, t_ns[0], side="right") - 1 if len(t_ns) else 0
    next_ns = edges_ns[cell + 1] if cell < n_cells else _MOST
    n_apart = 0
    last_place = np.uint64(len(keys) - 1)
    for at in range(len(t_ns)):
        if t_ns[at] >= next_ns:
            if cell >= 0:
                _write(cell, state, factors, row_of, low, high, last)
            while cell < n_cells and edges_ns[cell + 1] <= t_ns[at]:
                cell += 1
            next_ns = edges_ns[cell + 1] if cell < n_cells else _MOST
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
        if flags[at] & REMOTE or not inside:
            continue
        if is_apart[stream]:
            apart[n_apart], apart_stream[n_apart] = at, stream
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
        _write(cell, state, factors, row_of, low, high, last)
    return n_apart
