"""The compiled parser of `.asc`: takes the data frames that are written the common way, and names every other line.

What it does not take goes to the grammar, `busdoc.capture.formats.asc.lines`, which it follows to the letter.
"""

from typing import Any

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.stretch_columns import StretchColumns
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.formats.text.kernel_parts import (
    DIGIT_OF,
    LENGTH_OF,
    ends_field,
    keep_row,
    past_blanks,
    past_odd_line,
)
from busdoc.capture.frames import BRS, ESI, EXTENDED, FD, TRANSMITTED
from busdoc.capture.reading import LATEST_NS
from busdoc.kernels.compiled import compiled
from busdoc.times import SECOND_NS

__all__ = ["parse_asc"]

_SHORTEST_LINE = len("0.0 1 1 Rx d 0\n")
_LATEST_SINCE_NS = LATEST_NS // 4
_LATEST_SINCE_S = _LATEST_SINCE_NS // SECOND_NS
_MOST_CHANNELS = 256


def parse_asc(buffer: UInt8Array, start: int, stop: int, layout: tuple[object, ...]) -> tuple[Stretch, int]:
    """Parse whole lines under the base of numbers and the time that times count from, in nanoseconds.

    Times that count from the line before are given as they are written; who joins the pieces adds them up.
    """
    base, start_ns, is_relative = layout
    start_ns = 0 if is_relative else start_ns
    columns = StretchColumns(stop - start, _SHORTEST_LINE)
    raw = np.empty(_MOST_CHANNELS, np.int64)
    name_row = np.empty(_MOST_CHANNELS, np.int64)
    end, n_rows, n_long, n_names, n_odd, n_lines = _parse(
        buffer, start, stop, base, start_ns, DIGIT_OF, LENGTH_OF, raw, name_row, *columns.all()
    )
    names = [(int(name_row[at]), str(int(raw[at]) - 1)) for at in range(n_names)]  # the format counts from 1
    return columns.stretch(buffer, n_rows, n_long, n_odd, n_lines, names), end


@compiled(
    "UniTuple(int64, 6)(uint8[::1], int64, int64, int64, int64, uint8[::1], int64[::1], int64[::1], int64[::1],"
    " int64[::1], uint8[::1], uint32[::1], uint16[::1], uint8[::1], uint64[::1], int32[::1], int64[::1], int64[::1],"
    " uint8[::1], int64[:, ::1])"
)
def _parse(
    text: Any,
    start: Any,
    stop: Any,
    base: Any,
    start_ns: Any,
    digit_of: Any,
    length_of_code: Any,
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
    base, start_ns : 10 or 16, of identifiers and payloads; added to the times
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
        n_bytes: Any = 0
        name = -1
        number: Any = 0
        channel_number: Any = 0
        since_ns = 0
        word = np.uint64(0)
        while True:  # runs once; leaving it early means that the line is odd
            p = past_blanks(text, p)
            # time
            seconds: Any = 0
            n_digits = 0
            digit = np.int64(text[p]) - 48
            while 0 <= digit <= 9 and n_digits < 11:
                seconds = seconds * 10 + digit
                n_digits += 1
                p += 1
                digit = np.int64(text[p]) - 48
            if n_digits == 0 or seconds > _LATEST_SINCE_S or digit != -2:  # a point
                break
            p += 1
            nano: Any = 0
            n_digits = 0
            digit = np.int64(text[p]) - 48
            while 0 <= digit <= 9 and n_digits < 10:
                nano = nano * 10 + digit
                n_digits += 1
                p += 1
                digit = np.int64(text[p]) - 48
            if n_digits == 0 or n_digits > 9 or not (text[p] == 32 or text[p] == 9):
                break
            for _ in range(9 - n_digits):
                nano *= 10
            since_ns = seconds * SECOND_NS + nano
            if since_ns > _LATEST_SINCE_NS:
                break
            p = past_blanks(text, p)
            # what kind of frame, and on which channel
            is_fd = text[p] == 67  # CANFD
            if is_fd:
                if text[p + 1] != 65 or text[p + 2] != 78 or text[p + 3] != 70 or text[p + 4] != 68:
                    break
                p += 5
                if not (text[p] == 32 or text[p] == 9):
                    break
                p = past_blanks(text, p)
            n_digits = 0
            digit = np.int64(text[p]) - 48
            while 0 <= digit <= 9 and n_digits < 4:
                channel_number = channel_number * 10 + digit
                n_digits += 1
                p += 1
                digit = np.int64(text[p]) - 48
            if n_digits == 0 or n_digits > 3 or not (text[p] == 32 or text[p] == 9):
                break
            p = past_blanks(text, p)
            # an FD frame has the direction here
            if is_fd:
                letter = text[p] | 0x20
                if (letter != 114 and letter != 116) or text[p + 1] | 0x20 != 120:
                    break
                if letter == 116:
                    marks |= TRANSMITTED
                p += 2
                if not (text[p] == 32 or text[p] == 9):
                    break
                p = past_blanks(text, p)
            # identifier
            n_digits = 0
            digit = np.int64(digit_of[text[p]])
            while digit < base and n_digits < 10:
                number = number * base + digit
                n_digits += 1
                p += 1
                digit = np.int64(digit_of[text[p]])
            if n_digits == 0 or n_digits > 9:
                break
            if text[p] | 0x20 == 120:
                marks |= EXTENDED
                p += 1
                if number > 0x1FFFFFFF:
                    break
            elif number > 0x7FF:
                break
            if not (text[p] == 32 or text[p] == 9):
                break
            p = past_blanks(text, p)
            if is_fd:
                # bit-rate switch, error state, length code and length; a name may stand before them
                marks |= FD
                is_head = False
                for _ in range(2):
                    q = p
                    switch = np.int64(text[q]) - 48
                    if 0 <= switch <= 1 and (text[q + 1] == 32 or text[q + 1] == 9):
                        q = past_blanks(text, q + 1)
                        state = np.int64(text[q]) - 48
                        if 0 <= state <= 1 and (text[q + 1] == 32 or text[q + 1] == 9):
                            q = past_blanks(text, q + 1)
                            code = np.int64(digit_of[text[q]])
                            if code < 16 and (text[q + 1] == 32 or text[q + 1] == 9):
                                q = past_blanks(text, q + 1)
                                n_bytes = 0
                                n_digits = 0
                                digit = np.int64(text[q]) - 48
                                while 0 <= digit <= 9 and n_digits < 3:
                                    n_bytes = n_bytes * 10 + digit
                                    n_digits += 1
                                    q += 1
                                    digit = np.int64(text[q]) - 48
                                fits = n_bytes == 0 or n_bytes == length_of_code[code]
                                if 0 < n_digits < 3 and ends_field(text[q]) and fits:
                                    is_head = n_bytes > 0 or code == 0  # a remote frame is left to the grammar
                                    if switch:
                                        marks |= BRS
                                    if state:
                                        marks |= ESI
                                    p = q
                                    break
                    # over what may be a name
                    while 32 < text[p] < 127:
                        p += 1
                    if not (text[p] == 32 or text[p] == 9):
                        break
                    p = past_blanks(text, p)
                if not is_head:
                    break
            else:
                letter = text[p] | 0x20
                if (letter != 114 and letter != 116) or text[p + 1] | 0x20 != 120:
                    break
                if letter == 116:
                    marks |= TRANSMITTED
                p += 2
                if not (text[p] == 32 or text[p] == 9):
                    break
                p = past_blanks(text, p)
                if text[p] | 0x20 != 100 or not (text[p + 1] == 32 or text[p + 1] == 9):  # d
                    break
                p = past_blanks(text, p + 1)
                code = np.int64(digit_of[text[p]])
                p += 1
                if code >= base or not ends_field(text[p]):
                    break
                n_bytes = min(code, 8)
            # payload
            at = long_start[n_long]
            n_found = 0
            while n_found < n_bytes:
                p = past_blanks(text, p)
                value = np.int64(digit_of[text[p]])
                if value >= base:
                    break
                p += 1
                digit = np.int64(digit_of[text[p]])
                if digit < base:
                    value = value * base + digit
                    p += 1
                    digit = np.int64(digit_of[text[p]])
                    if base == 10 and digit < base:
                        value = value * base + digit
                        p += 1
                if value > 255 or not ends_field(text[p]):
                    break
                if n_found < 8:
                    word |= np.uint64(value) << np.uint64(8 * n_found)
                if n_bytes > 8:
                    long_bytes[at + n_found] = value
                n_found += 1
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
