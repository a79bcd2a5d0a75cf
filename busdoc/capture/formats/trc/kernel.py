"""The compiled parser of `.trc`: takes the data frames that are written the common way, and names every other line.

What it does not take goes to the grammar, `busdoc.capture.formats.trc.lines`, which it follows to the letter.
"""

from typing import Any

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.stretch_columns import StretchColumns
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.formats.text.kernel_parts import DIGIT_OF, LENGTH_OF, keep_row, past_blanks, past_odd_line
from busdoc.capture.frames import BRS, ESI, EXTENDED, FD, TRANSMITTED
from busdoc.capture.reading import LATEST_NS
from busdoc.kernels.compiled import compiled

__all__ = ["parse_trc"]

_SHORTEST_LINE = len("0 0 0 0\n")
_LATEST_SINCE_NS = LATEST_NS // 4
_MOST_CHANNELS = 256
_TIME, _TYPE, _BUS, _IDENTIFIER, _DIRECTION, _LENGTH, _CODE, _NUMBER, _OTHER = range(9)
_ROLE_OF = {
    "N": _NUMBER,
    "O": _TIME,
    "T": _TYPE,
    "B": _BUS,
    "I": _IDENTIFIER,
    "d": _DIRECTION,
    "l": _LENGTH,
    "L": _CODE,
}
_KINDS = {
    b"Rx": 0,
    b"Tx": TRANSMITTED,
    b"DT": 0,
    b"FD": FD,
    b"FB": FD | BRS,
    b"FE": FD | BRS | ESI,
    b"BI": FD | ESI,
}


_KIND_WORDS = np.array([word[0] << 8 | word[1] for word in _KINDS], np.int64)
_KIND_FLAGS = np.array(list(_KINDS.values()), np.int64)


def parse_trc(buffer: UInt8Array, start: int, stop: int, layout: tuple[object, ...]) -> tuple[Stretch, int]:
    """Parse whole lines under the letters of the columns before the data, and the time that times count from."""
    letters, start_ns = layout
    assert isinstance(letters, str)
    roles = np.array([_ROLE_OF.get(letter, _OTHER) for letter in letters], np.int64)
    columns = StretchColumns(stop - start, _SHORTEST_LINE)
    raw = np.empty(_MOST_CHANNELS, np.int64)
    name_row = np.empty(_MOST_CHANNELS, np.int64)
    end, n_rows, n_long, n_names, n_odd, n_lines = _parse(
        buffer,
        start,
        stop,
        roles,
        start_ns,
        DIGIT_OF,
        LENGTH_OF,
        _KIND_WORDS,
        _KIND_FLAGS,
        raw,
        name_row,
        *columns.all(),
    )
    names = [(int(name_row[at]), str(int(raw[at]) - 1)) for at in range(n_names)]  # the format counts from 1
    return columns.stretch(buffer, n_rows, n_long, n_odd, n_lines, names), end


@compiled(
    "UniTuple(int64, 6)(uint8[::1], int64, int64, int64[::1], int64, uint8[::1], int64[::1], int64[::1], int64[::1],"
    " int64[::1], int64[::1], int64[::1], uint8[::1], uint32[::1], uint16[::1], uint8[::1], uint64[::1], int32[::1],"
    " int64[::1], int64[::1], uint8[::1], int64[:, ::1])"
)
def _parse(
    text: Any,
    start: Any,
    stop: Any,
    roles: Any,
    start_ns: Any,
    digit_of: Any,
    length_of_code: Any,
    kind_words: Any,
    kind_flags: Any,
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
    """Parse lines until the text ends or `odd` is full.

    Parameters
    ----------
    text, start, stop : the text, which ends with a newline at `stop`, and what to parse of it
    roles, start_ns : what each column before the data holds; added to the times
    kind_words, kind_flags : the words of a type column that are data frames, and the flags of each
    raw, name_row : (256,) the channels met, as written; the row of each one's first frame
    t_ns … odd : as in `StretchColumns`

    Returns
    -------
    Where it stopped; the numbers of rows, long payloads, channels, odd lines, and all lines
    """
    p = start
    n_rows = n_long = n_names = n_odd = n_lines = 0
    long_start[0] = 0
    while p < stop and n_odd < len(odd):
        line_start = p
        taken = False
        marks = 0
        n_bytes: Any = -1
        code: Any = -1
        name = -1
        number: Any = 0
        channel_number: Any = 1  # of a layout without a bus
        since_ns = 0
        word = np.uint64(0)
        while True:  # runs once; leaving it early means that the line is odd
            is_good = True
            for role in roles:
                p = past_blanks(text, p)
                first = p
                value: Any = 0
                if role == _TIME:  # milliseconds
                    digit = np.int64(text[p]) - 48
                    while 0 <= digit <= 9 and p - first < 13:
                        value = value * 10 + digit
                        p += 1
                        digit = np.int64(text[p]) - 48
                    is_good = 0 < p - first < 13
                    n_decimals = 0
                    if digit == -2:
                        p += 1
                        digit = np.int64(text[p]) - 48
                        while 0 <= digit <= 9 and n_decimals < 7:
                            value = value * 10 + digit
                            n_decimals += 1
                            p += 1
                            digit = np.int64(text[p]) - 48
                    for _ in range(6 - n_decimals):
                        value *= 10
                    since_ns = value
                    is_good = is_good and n_decimals < 7 and since_ns <= _LATEST_SINCE_NS
                elif role == _TYPE:
                    is_good = False
                    kind = np.int64(text[p]) << 8 | np.int64(text[p + 1])
                    for k in range(len(kind_words)):
                        if kind_words[k] == kind:
                            marks |= kind_flags[k]
                            is_good = True
                    p += 2
                elif role == _IDENTIFIER:
                    digit = np.int64(digit_of[text[p]])
                    while digit < 16 and p - first < 9:
                        value = value << 4 | digit
                        p += 1
                        digit = np.int64(digit_of[text[p]])
                    number = value
                    if p - first > 4:
                        marks |= EXTENDED
                        is_good = p - first < 9 and number <= 0x1FFFFFFF
                    else:
                        is_good = p > first and number <= 0x7FF
                elif role in (_BUS, _LENGTH, _CODE, _NUMBER):
                    digit = np.int64(text[p]) - 48
                    while 0 <= digit <= 9 and p - first < 16:
                        value = value * 10 + digit
                        p += 1
                        digit = np.int64(text[p]) - 48
                    n_digits = p - first
                    if role == _NUMBER:
                        is_good = 0 < n_digits < 16
                        if text[p] == 41:  # )
                            p += 1
                    elif role == _BUS:
                        is_good = 0 < n_digits < 4
                        channel_number = value
                    else:
                        is_good = 0 < n_digits < 4
                        if role == _LENGTH:
                            n_bytes = value
                        else:
                            code = value
                else:
                    while 32 < text[p] < 127:
                        p += 1
                    is_good = p > first
                    if role == _DIRECTION and p - first == 2 and text[first] == 84 and text[first + 1] == 120:
                        marks |= TRANSMITTED
                if not is_good:
                    break
                if not (text[p] == 32 or text[p] == 9 or text[p] == 10 or text[p] == 13):
                    is_good = False
                    break
            if not is_good:
                break
            if code >= 0:
                if code > 15:
                    break
                n_bytes = length_of_code[code] if marks & FD else min(code, 8)
            if n_bytes < 0 or n_bytes > (64 if marks & FD else 8):
                break
            # payload: pairs of digits with one space between
            p = past_blanks(text, p)
            if n_bytes == 0 and text[p] != 10 and text[p] != 13:
                break
            at = long_start[n_long]
            n_found = 0
            while n_found < n_bytes:
                high = np.int64(digit_of[text[p]])
                low = np.int64(digit_of[text[p + 1]])
                if high > 15 or low > 15:
                    break
                p += 2
                n_found += 1
                if text[p] == 32:
                    p += 1
                elif not (n_found == n_bytes and (text[p] == 10 or text[p] == 13)):
                    n_found = 0
                    break
                if n_found <= 8:
                    word |= np.uint64(high << 4 | low) << np.uint64(8 * (n_found - 1))
                if n_bytes > 8:
                    long_bytes[at + n_found - 1] = high << 4 | low
            if n_found < n_bytes:
                break
            # what stands behind the payload says nothing of the frame
            while text[p] != 10:
                p += 1
            p += 1
            for k in range(n_names):
                if raw[k] == channel_number:
                    name = k
                    break
            if name < 0 and n_names == len(raw):
                break
            taken = True
            break
        if taken:
            if name < 0:
                name = n_names
                raw[name] = channel_number
                name_row[name] = n_rows
                n_names += 1
            n_rows, n_long = keep_row(
                n_rows,
                n_long,
                n_lines,
                start_ns + since_ns,
                name,
                number,
                marks,
                n_bytes,
                word,
                t_ns,
                channel,
                identifier,
                flags,
                length,
                data,
                line_of_row,
                long_row,
                long_start,
            )
        else:
            p, n_odd = past_odd_line(text, line_start, n_lines, n_odd, odd)
        n_lines += 1
    return p, n_rows, n_long, n_names, n_odd, n_lines
