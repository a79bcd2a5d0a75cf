"""What the compiled parsers of lines share: digits, blanks, and where a frame or an odd line is put.

Each is compiled into the parser that calls it, and what is kept of a parser is kept under the text of this file too.
"""

from typing import Any

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import LENGTH_OF_CODE
from busdoc.kernels.compiled import compiled

__all__ = ["DIGIT_OF", "LENGTH_OF", "NO_DIGIT", "ends_field", "keep_row", "past_blanks", "past_odd_line"]

NO_DIGIT = 99
"""More than any base of numbers (by definition)."""


def _digit_of() -> UInt8Array:
    table = np.full(256, NO_DIGIT, np.uint8)
    for value, text in enumerate("0123456789abcdef"):
        table[ord(text)] = table[ord(text.upper())] = value
    return table


DIGIT_OF = _digit_of()
"""(256,) what each letter is worth as a digit, up to base 16."""
LENGTH_OF = np.array(LENGTH_OF_CODE, np.int64)
"""(16,) bytes that each length code of an FD frame stands for."""


@compiled("int64(uint8[::1], int64)", inline="always")
def past_blanks(text: Any, p: Any) -> Any:
    """Give the place of the next letter that is neither space nor tab."""
    while text[p] == 32 or text[p] == 9:
        p += 1
    return p


@compiled("boolean(uint8)", inline="always")
def ends_field(letter: Any) -> Any:
    """Whether a field ends before this letter: a blank, or the end of the line."""
    return letter == 32 or letter == 10 or letter == 9 or letter == 13


@compiled(
    "UniTuple(int64, 2)(int64, int64, int64, int64, int64, int64, int64, int64, uint64, int64[::1], uint8[::1],"
    " uint32[::1], uint16[::1], uint8[::1], uint64[::1], int32[::1], int64[::1], int64[::1])",
    inline="always",
)
def keep_row(
    n_rows: Any,
    n_long: Any,
    line: Any,
    at_ns: Any,
    name: Any,
    number: Any,
    marks: Any,
    n_bytes: Any,
    word: Any,
    t_ns: Any,
    channel: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    data: Any,
    line_of_row: Any,
    long_row: Any,
    long_start: Any,
) -> Any:
    """Put a frame into its columns, as in `StretchColumns`; give the numbers of rows and long payloads then."""
    t_ns[n_rows] = at_ns
    channel[n_rows] = name
    identifier[n_rows] = number
    flags[n_rows] = marks
    length[n_rows] = n_bytes
    data[n_rows] = word
    line_of_row[n_rows] = line
    if n_bytes > 8:
        long_row[n_long] = n_rows
        n_long += 1
        long_start[n_long] = long_start[n_long - 1] + n_bytes
    return n_rows + 1, n_long


@compiled("UniTuple(int64, 2)(uint8[::1], int64, int64, int64, int64[:, ::1])", inline="always")
def past_odd_line(text: Any, line_start: Any, line: Any, n_odd: Any, odd: Any) -> Any:
    """Name a line that no parser takes, unless it is empty; give where the next begins, and how many are odd then."""
    p = line_start
    while text[p] != 10:
        p += 1
    if p > line_start:
        odd[n_odd, 0] = line_start
        odd[n_odd, 1] = p
        odd[n_odd, 2] = line
        n_odd += 1
    return p + 1, n_odd
