"""The compiled parser of `.csv`: takes the data frames that are written the common way, and names every other line.

What it does not take goes to the grammar, `busdoc.capture.formats.csv_text.lines`, which it follows to the letter.
"""

from typing import Any

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.csv_text.lines import ONLY_CHANNEL
from busdoc.capture.formats.stretch_columns import StretchColumns
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.formats.text.kernel_parts import DIGIT_OF, NO_DIGIT, keep_row, past_odd_line
from busdoc.capture.frames import EXTENDED, FD
from busdoc.capture.reading import LATEST_NS
from busdoc.kernels.compiled import compiled
from busdoc.times import SECOND_NS

__all__ = ["parse_csv"]

_SHORTEST_LINE = len("0.0,0x0,0,0,0,0,\n")
_LATEST_S = LATEST_NS // SECOND_NS


def _sextet_of() -> UInt8Array:
    """Give the six bits that each letter stands for (RFC 4648, section 4)."""
    table = np.full(256, NO_DIGIT, np.uint8)
    for value, text in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"):
        table[ord(text)] = value
    return table


_SEXTET_OF = _sextet_of()


def parse_csv(buffer: UInt8Array, start: int, stop: int, layout: tuple[object, ...]) -> tuple[Stretch, int]:
    """Parse whole lines; there is but one layout."""
    columns = StretchColumns(stop - start, _SHORTEST_LINE)
    end, n_rows, n_long, n_odd, n_lines = _parse(buffer, start, stop, DIGIT_OF, _SEXTET_OF, *columns.all())
    names = [(0, ONLY_CHANNEL)] if n_rows else []
    return columns.stretch(buffer, n_rows, n_long, n_odd, n_lines, names), end


@compiled(
    "UniTuple(int64, 5)(uint8[::1], int64, int64, uint8[::1], uint8[::1], int64[::1], uint8[::1], uint32[::1],"
    " uint16[::1], uint8[::1], uint64[::1], int32[::1], int64[::1], int64[::1], uint8[::1], int64[:, ::1])"
)
def _parse(
    text: Any,
    start: Any,
    stop: Any,
    digit_of: Any,
    sextet_of: Any,
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
    t_ns … odd : as in `StretchColumns`

    Returns
    -------
    Where it stopped; the numbers of rows, long payloads, odd lines, and all lines
    """
    p = start
    n_rows = n_long = n_odd = n_lines = 0
    long_start[0] = 0
    while p < stop and n_odd < len(odd):
        line_start = p
        taken = False
        marks = 0
        n_bytes: Any = 0
        number: Any = 0
        nano: Any = 0
        seconds: Any = 0
        word = np.uint64(0)
        while True:  # runs once; leaving it early means that the line is odd
            # time
            first = p
            digit = np.int64(text[p]) - 48
            while 0 <= digit <= 9 and p - first < 11:
                seconds = seconds * 10 + digit
                p += 1
                digit = np.int64(text[p]) - 48
            if p == first or p - first > 10 or digit != -2:  # a point
                break
            p += 1
            first = p
            digit = np.int64(text[p]) - 48
            while 0 <= digit <= 9 and p - first < 10:
                nano = nano * 10 + digit
                p += 1
                digit = np.int64(text[p]) - 48
            if p == first or p - first > 9 or text[p] != 44:  # a comma
                break
            for _ in range(9 - (p - first)):
                nano *= 10
            if seconds > _LATEST_S or (seconds == _LATEST_S and nano > 0):
                break
            # identifier
            if text[p + 1] != 48 or text[p + 2] != 120:  # 0x
                break
            p += 3
            first = p
            digit = np.int64(digit_of[text[p]])
            while digit < 16 and p - first < 9:
                number = number << 4 | digit
                p += 1
                digit = np.int64(digit_of[text[p]])
            if p == first or p - first > 8 or text[p] != 44:
                break
            # extended, and neither remote nor error
            extended = np.int64(text[p + 1]) - 48
            if not 0 <= extended <= 1 or text[p + 2] != 44:
                break
            if text[p + 3] != 48 or text[p + 4] != 44 or text[p + 5] != 48 or text[p + 6] != 44:
                break
            if number > (0x1FFFFFFF if extended else 0x7FF):
                break
            if extended:
                marks |= EXTENDED
            p += 7
            # length
            first = p
            digit = np.int64(text[p]) - 48
            while 0 <= digit <= 9 and p - first < 3:
                n_bytes = n_bytes * 10 + digit
                p += 1
                digit = np.int64(text[p]) - 48
            if p == first or p - first > 2 or n_bytes > 64 or text[p] != 44:
                break
            if n_bytes > 8:
                marks |= FD
            p += 1
            # payload: each four letters are three bytes, fewer where the last of them are padding
            at = long_start[n_long]
            n_found = 0
            while n_found < n_bytes:
                bits: Any = 0
                n_more = min(n_bytes - n_found, 3)
                is_good = True
                for k in range(4):
                    letter = text[p + k]
                    value: Any = np.int64(sextet_of[letter])
                    if k > n_more:
                        is_good = is_good and letter == 61  # =
                        value = 0
                    elif value > 63:
                        is_good = False
                    bits = bits << 6 | value
                    if not is_good:
                        break
                if not is_good or bits & ((1 << (24 - 8 * n_more)) - 1):
                    break
                for k in range(n_more):
                    byte = bits >> (16 - 8 * k) & 0xFF
                    if n_found < 8:
                        word |= np.uint64(byte) << np.uint64(8 * n_found)
                    if n_bytes > 8:
                        long_bytes[at + n_found] = byte
                    n_found += 1
                p += 4
            if n_found < n_bytes:
                break
            if text[p] == 13:
                p += 1
            if text[p] != 10:
                break
            p += 1
            taken = True
            break
        if taken:
            n_rows, n_long = keep_row(
                n_rows,
                n_long,
                n_lines,
                seconds * SECOND_NS + nano,
                0,
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
    return p, n_rows, n_long, n_odd, n_lines
