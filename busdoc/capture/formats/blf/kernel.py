"""The compiled parser of the objects of `.blf`: takes data frames of the usual layouts, and names the other frames.

What it does not take goes to the grammar, `busdoc.capture.formats.blf.objects`, which it follows to the letter.
"""

from typing import Any

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.blf.objects import EXTENDED_BIT, ID_MASK, LAYOUTS, MOST_OBJECT_BYTES, Walked, channel_name
from busdoc.capture.formats.stretch_columns import StretchColumns
from busdoc.capture.frames import BRS, ESI, EXTENDED, FD, LENGTH_OF_CODE, REMOTE, TRANSMITTED
from busdoc.capture.reading import LATEST_NS, MOST_CHANNELS
from busdoc.kernels.compiled import compiled

__all__ = ["parse_objects_compiled"]

_SHORTEST_FRAME = 48
_HEADER_BYTES = 16
_LENGTH_OF_CODE = np.array(LENGTH_OF_CODE, np.int64)
_MOST_KIND = 128
_IS_FRAME = np.array([kind in LAYOUTS for kind in range(_MOST_KIND)], np.uint8)


def parse_objects_compiled(buffer: UInt8Array, start: int, stop: int, start_ns: int) -> Walked:
    """Parse the objects that are whole, as `parse_objects` does."""
    columns = StretchColumns(stop - start, _SHORTEST_FRAME)
    raw = np.empty(MOST_CHANNELS, np.int64)
    name_row = np.empty(MOST_CHANNELS, np.int64)
    end, n_rows, n_long, n_names, n_odd, n_objects, state = _parse(
        buffer, start, stop, start_ns, _LENGTH_OF_CODE, _IS_FRAME, raw, name_row, *columns.all()
    )
    names = [(int(name_row[at]), channel_name(int(raw[at]))) for at in range(n_names)]
    stretch = columns.stretch(buffer, n_rows, n_long, n_odd, n_objects, names)
    return Walked(stretch=stretch, end=end, damaged=bool(state & 1), more=bool(state & 2))


@compiled("int64(uint8[::1], int64)", inline="always")
def _two(data: Any, at: Any) -> Any:
    return np.int64(data[at]) | np.int64(data[at + 1]) << 8


@compiled("int64(uint8[::1], int64)", inline="always")
def _four(data: Any, at: Any) -> Any:
    return _two(data, at) | _two(data, at + 2) << 16


@compiled("int64(uint8[::1], int64)", inline="always")
def _eight(data: Any, at: Any) -> Any:
    return _four(data, at) | _four(data, at + 4) << 32


@compiled(
    "UniTuple(int64, 7)(uint8[::1], int64, int64, int64, int64[::1], uint8[::1], int64[::1], int64[::1],"
    " int64[::1], uint8[::1], uint32[::1], uint16[::1], uint8[::1], uint64[::1], int32[::1], int64[::1], int64[::1],"
    " uint8[::1], int64[:, ::1])"
)
def _parse(
    text: Any,
    start: Any,
    stop: Any,
    start_ns: Any,
    length_of_code: Any,
    is_frame: Any,
    raw: Any,
    name_row: Any,
    t_ns: Any,
    channel: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    data: Any,
    line_of_row: Any,
    long_row: Any,
    long_start: Any,
    long_bytes: Any,
    odd: Any,
) -> Any:
    """Parse objects until the whole ones end or `odd` is full.

    Parameters
    ----------
    text, start, stop : the objects, with room of a few bytes behind `stop`, and what to parse of them
    start_ns : added to the times
    length_of_code, is_frame : payload bytes by length code; which kinds of object are frames
    raw, name_row : (256,) the channels met, as stored; the row of each one's first frame
    t_ns … odd : as in `StretchColumns`, `line_of_row` the number of the object

    Returns
    -------
    Where it stopped; the numbers of rows, long payloads, channels, odd objects, and all objects; and 1 where bytes
    between objects were stepped over, plus 2 where there are more
    """
    p = start
    n_rows = n_long = n_names = n_odd = n_objects = state = 0
    long_start[0] = 0
    bound_10_us = LATEST_NS // 10_000 - abs(start_ns) // 10_000
    bound_ns = LATEST_NS - abs(start_ns)
    while True:
        if n_odd == len(odd):
            state |= 2
            break
        # the next mark
        q = p
        while q + 4 <= stop and not (text[q] == 76 and text[q + 1] == 79 and text[q + 2] == 66 and text[q + 3] == 74):
            q += 1
        if q + 4 > stop:
            p = max(p, stop - 3)
            break
        if q - p > 8:
            state |= 1
        p = q
        if stop - p < _HEADER_BYTES:
            break
        version = _two(text, p + 6)
        size = _four(text, p + 8)
        kind = _four(text, p + 12)
        if size < _HEADER_BYTES or size > MOST_OBJECT_BYTES:
            p += 4
            continue
        if p + size > stop:
            break
        object_number = n_objects
        n_objects += 1
        at = p
        p += size
        if kind >= len(is_frame) or not is_frame[kind]:
            continue
        # where the fields of a data frame stand
        taken = False
        body = at + (32 if version == 1 else 40)
        marks = 0
        code: Any = 0
        first: Any = 0
        n_valid: Any = 0
        number: Any = 0
        channel_number: Any = 0
        if (kind == 1 or kind == 86) and version == 1 and size == _SHORTEST_FRAME:
            taken = True
            channel_number = _two(text, body)
            if text[body + 2] & 0x01:
                marks |= TRANSMITTED
            if text[body + 2] & 0x80:
                marks |= REMOTE
            code = np.int64(text[body + 3])
            number = _four(text, body + 4)
            first = body + 8
            n_valid = 8
        elif kind == 100 and body + 84 <= at + size and not text[body + 2] & 0x80:
            taken = True
            channel_number = _two(text, body)
            if text[body + 2] & 0x01:
                marks |= TRANSMITTED
            code = np.int64(text[body + 3])
            number = _four(text, body + 4)
            fd_marks = np.int64(text[body + 13])
            marks |= (FD if fd_marks & 1 else 0) | (BRS if fd_marks & 2 else 0) | (ESI if fd_marks & 4 else 0)
            first = body + 20
            n_valid = min(np.int64(text[body + 14]), 64)
        elif kind == 101 and body + 40 <= at + size and not _four(text, body + 12) & 0x10:
            taken = True
            channel_number = np.int64(text[body])
            code = np.int64(text[body + 1])
            number = _four(text, body + 4)
            fd_marks = _four(text, body + 12)
            if text[body + 34]:
                marks |= TRANSMITTED
            marks |= FD if fd_marks & 0x1000 else 0
            marks |= (BRS if fd_marks & 0x2000 else 0) | (ESI if fd_marks & 0x4000 else 0)
            first = body + 40
            extra_at = np.int64(text[body + 35])
            last = min(first + np.int64(text[body + 2]), at + (extra_at if extra_at else size), at + size)
            n_valid = max(last - first, 0)
        name = -1
        time: Any = 0
        if taken:
            # time, and channel
            time = _eight(text, at + 24)
            if _four(text, at + 16) == 1:
                taken = -bound_10_us <= time <= bound_10_us
                time *= 10_000
            else:
                taken = -bound_ns <= time <= bound_ns
            for k in range(n_names):
                if raw[k] == channel_number:
                    name = k
                    break
            if name < 0 and n_names == len(raw):
                taken = False
        if not taken:
            odd[n_odd, 0] = at
            odd[n_odd, 1] = at + size
            odd[n_odd, 2] = object_number
            n_odd += 1
            continue
        if name < 0:
            name = n_names
            raw[name] = channel_number
            name_row[name] = n_rows
            n_names += 1
        # identifier and payload
        if number & EXTENDED_BIT or number & ID_MASK > 0x7FF:
            marks |= EXTENDED
        n_bytes = length_of_code[min(code, 15)] if marks & FD else min(code, 8)
        word = np.uint64(0)
        if not marks & REMOTE:
            for k in range(min(n_bytes, n_valid, 8)):
                word |= np.uint64(text[first + k]) << np.uint64(8 * k)
        t_ns[n_rows] = start_ns + time
        channel[n_rows] = name
        identifier[n_rows] = number & ID_MASK
        flags[n_rows] = marks
        length[n_rows] = n_bytes
        data[n_rows] = word
        line_of_row[n_rows] = object_number
        if n_bytes > 8:
            begin = long_start[n_long]
            for k in range(n_bytes):
                long_bytes[begin + k] = text[first + k] if k < n_valid else 0
            long_row[n_long] = n_rows
            n_long += 1
            long_start[n_long] = begin + n_bytes
        n_rows += 1
    return p, n_rows, n_long, n_names, n_odd, n_objects, state
