"""The compiled parser of `.log`: takes the lines that are written the common way, and names every other.

What it does not take goes to `busdoc.capture.formats.log.line.parse_line`, whose grammar it follows to the letter.
"""

from typing import Any

import numpy as np

from busdoc.arrays import UInt8Array, UInt16Array, UInt64Array
from busdoc.capture.formats.log.line import ERROR_BIT
from busdoc.capture.formats.stretch_columns import StretchColumns
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TRANSMITTED
from busdoc.capture.reading import LATEST_NS, MOST_CHANNELS
from busdoc.kernels.compiled import FromNumba, compiled
from busdoc.times import SECOND_NS

__all__ = ["parse_log"]

_LONGEST_NAME = 15
"""Channel names of up to 15 bytes, Linux' own limit, are known by two words."""

_SHORTEST_LINE = len("(0.0) c 123#\n")
"""No line that the kernel takes is shorter: bounds the rows of a chunk."""

_LATEST_S = LATEST_NS // SECOND_NS
_NO_HEX = 0x100


def _hex_of_pair() -> UInt16Array:
    """Give the byte that each pair of characters stands for, by the pair read as a little-endian word."""
    digit = np.full(256, _NO_HEX, np.int64)
    for value, text in enumerate("0123456789abcdef"):
        digit[ord(text)] = digit[ord(text.upper())] = value
    low, high = digit[:, None], digit[None, :]  # the second character, which the word has in its high byte
    table = np.where((low < 16) & (high < 16), high * 16 + low, _NO_HEX)
    first_is_low_byte = np.ascontiguousarray(table)  # [second, first]
    return first_is_low_byte.reshape(-1).astype(np.uint16)


_HEX_OF_PAIR = _hex_of_pair()


def _loader(bits: int) -> Any:
    """Make what loads a word from an address, whatever it is divisible by."""
    import numba
    from llvmlite import ir  # type: ignore[import-untyped]  # comes with numba
    from numba.extending import intrinsic

    numba_type = getattr(numba.types, f"uint{bits}")

    @intrinsic
    def load(typing_context: Any, address: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            pointer = builder.inttoptr(arguments[0], ir.IntType(bits).as_pointer())
            return builder.load(pointer, align=1)

        return numba_type(numba.types.int64), generate

    return load


_word8: Any = FromNumba(lambda: _loader(8))
_word16: Any = FromNumba(lambda: _loader(16))
_word64: Any = FromNumba(lambda: _loader(64))


def parse_log(buffer: UInt8Array, start: int, stop: int, layout: tuple[object, ...]) -> tuple[Stretch, int]:
    """Parse whole lines; there is but one layout."""
    columns = StretchColumns(stop - start, _SHORTEST_LINE)
    *common, odd = columns.all()
    names = np.zeros((MOST_CHANNELS, 3), np.uint64)
    name_row = np.empty(MOST_CHANNELS, np.int64)
    address = int(buffer.ctypes.data)  # the buffer outlives the call
    end, n_rows, n_long, n_names, n_odd, n_lines = _parse(
        address, start, stop, _HEX_OF_PAIR, *common, names, name_row, odd
    )
    named = [(int(name_row[at]), _name(names[at])) for at in range(n_names)]
    return columns.stretch(buffer, n_rows, n_long, n_odd, n_lines, named), end


@compiled("boolean(uint64)", inline="always")
def _all_digits(word: Any) -> Any:
    """Whether the eight characters of a word are all decimal digits."""
    above = word + np.uint64(0x4646464646464646)
    below = word - np.uint64(0x3030303030303030)
    return ((above | below) & np.uint64(0x8080808080808080)) == np.uint64(0)


@compiled("int64(uint64)", inline="always")
def _eight_digits(word: Any) -> Any:
    """Give the number that eight decimal digits stand for; pairs, then fours, then the whole, in three products."""
    word = (word & np.uint64(0x0F0F0F0F0F0F0F0F)) * np.uint64(2561) >> np.uint64(8)
    word = (word & np.uint64(0x00FF00FF00FF00FF)) * np.uint64(6553601) >> np.uint64(16)
    word = (word & np.uint64(0x0000FFFF0000FFFF)) * np.uint64(42949672960001) >> np.uint64(32)
    return np.int64(word)


@compiled(
    "UniTuple(int64, 6)(int64, int64, int64, uint16[::1], int64[::1], uint8[::1], uint32[::1], uint16[::1], uint8[::1],"
    " uint64[::1], int32[::1], int64[::1], int64[::1], uint8[::1], uint64[:, ::1], int64[::1], int64[:, ::1])"
)
def _parse(
    base: Any,
    start: Any,
    stop: Any,
    hex_of_pair: Any,
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
    names: Any,
    name_row: Any,
    odd: Any,
) -> Any:
    """Parse lines until the text ends or `odd` is full.

    Parameters
    ----------
    base : address of the text, which ends with a newline and has `PADDING_BYTES` of room behind it
    start, stop : offsets of what to parse
    t_ns … line_of_row : (rows,) columns to fill; `data` as words, `line_of_row` counted from 0 at `start`
    long_row, long_start, long_bytes : payloads of more than 8 bytes, as `LongPayloads`
    names, name_row : (256, 3) the channels met, as two words and the length; the row of each one's first frame
    odd : (m, 3) the other lines: first byte, end without newline, number from 0 at `start`

    Returns
    -------
    Where it stopped; the numbers of rows, long payloads, names, odd lines, and all lines
    """
    p = start
    n_rows = n_long = n_names = n_odd = n_lines = 0
    long_start[0] = 0
    last_name = -1
    last_length = 0
    last_low = last_high = np.uint64(0)
    low_mask = high_mask = np.uint64(0)
    while p < stop and n_odd < len(odd):
        line_start = p
        taken = False
        while True:  # runs once; leaving it early means that the line is odd
            if _word8(base + p) != 40:  # (
                break
            # time
            word = _word64(base + p + 1)
            tail = _word64(base + p + 12)
            if _word8(base + p + 11) == 46 and (tail >> np.uint64(48)) == np.uint64(0x2029) and _all_digits(word):
                tens = np.int64(_word8(base + p + 9)) - 48
                ones = np.int64(_word8(base + p + 10)) - 48
                micro = (tail << np.uint64(16)) | np.uint64(0x3030)
                if tens < 0 or tens > 9 or ones < 0 or ones > 9 or not _all_digits(micro):
                    break
                seconds = _eight_digits(word) * 100 + tens * 10 + ones
                nano = _eight_digits(micro) * 1000
                p += 20
            else:
                p += 1
                seconds = np.int64(0)
                n_digits = 0
                digit = np.int64(_word8(base + p)) - 48
                while 0 <= digit <= 9 and n_digits < 11:
                    seconds = seconds * 10 + digit
                    n_digits += 1
                    p += 1
                    digit = np.int64(_word8(base + p)) - 48
                if n_digits == 0 or n_digits > 10 or digit != -2:  # a point
                    break
                p += 1
                nano = np.int64(0)
                n_digits = 0
                digit = np.int64(_word8(base + p)) - 48
                while 0 <= digit <= 9 and n_digits < 10:
                    nano = nano * 10 + digit
                    n_digits += 1
                    p += 1
                    digit = np.int64(_word8(base + p)) - 48
                if n_digits == 0 or n_digits > 9 or _word16(base + p) != 0x2029:  # )␠
                    break
                for _ in range(9 - n_digits):
                    nano *= 10
                p += 2
            if seconds > _LATEST_S or (seconds == _LATEST_S and nano > 0):
                break
            # channel
            low = _word64(base + p)
            high = _word64(base + p + 8)
            known = last_name >= 0 and low & low_mask == last_low and high & high_mask == last_high
            if known and _word8(base + p + last_length) == 32:
                name = last_name
                p += last_length + 1
            else:
                n_letters = 0
                letter = _word8(base + p)
                while letter > 32 and letter < 127 and n_letters <= _LONGEST_NAME:
                    n_letters += 1
                    letter = _word8(base + p + n_letters)
                if letter != 32 or n_letters == 0 or n_letters > _LONGEST_NAME:
                    break
                n_low = min(n_letters, 8)
                full = np.uint64(0xFFFFFFFFFFFFFFFF)
                low_mask = full >> np.uint64(64 - 8 * n_low)
                high_mask = np.uint64(0)
                if n_letters > 8:
                    high_mask = full >> np.uint64(64 - 8 * (n_letters - 8))
                last_low = low & low_mask
                last_high = high & high_mask
                last_length = n_letters
                name = -1
                for k in range(n_names):
                    if names[k, 0] == last_low and names[k, 1] == last_high and names[k, 2] == np.uint64(n_letters):
                        name = k
                        break
                last_name = name
                p += n_letters + 1
                if name < 0 and n_names == len(names):
                    break
            # identifier
            marks = 0
            if _word8(base + p + 3) == 35:  # #
                first = np.int64(hex_of_pair[_word16(base + p)])
                second = np.int64(hex_of_pair[_word16(base + p + 1)])
                if first | second >= 0x100:
                    break
                number = first << 4 | second & 15
                if number > 0x7FF:
                    break
                p += 4
            elif _word8(base + p + 8) == 35:
                first = np.int64(hex_of_pair[_word16(base + p)])
                second = np.int64(hex_of_pair[_word16(base + p + 2)])
                third = np.int64(hex_of_pair[_word16(base + p + 4)])
                fourth = np.int64(hex_of_pair[_word16(base + p + 6)])
                if first | second | third | fourth >= 0x100:
                    break
                number = first << 24 | second << 16 | third << 8 | fourth
                if number >> 30:
                    break
                marks = EXTENDED
                if number & ERROR_BIT:
                    number ^= ERROR_BIT
                    marks = ERROR
                p += 9
            else:
                break
            # payload
            n_bytes = np.int64(0)
            word = np.uint64(0)
            letter = _word8(base + p)
            if letter == 82 or letter == 114:  # R
                marks |= REMOTE
                p += 1
                digit = np.int64(_word8(base + p)) - 48
                if 0 <= digit <= 8:
                    n_bytes = digit
                    p += 1
            else:
                most = 8
                if letter == 35:
                    pair = np.int64(hex_of_pair[0x3000 | np.int64(_word8(base + p + 1))])  # the digit, then a 0
                    if pair >= 0x100:
                        break
                    marks |= FD
                    if pair & 0x10:
                        marks |= BRS
                    if pair & 0x20:
                        marks |= ESI
                    most = 64
                    p += 2
                pair = np.int64(hex_of_pair[_word16(base + p)])
                while pair < 0x100 and n_bytes < 8:
                    word |= np.uint64(pair) << np.uint64(8 * n_bytes)
                    n_bytes += 1
                    p += 2
                    pair = np.int64(hex_of_pair[_word16(base + p)])
                if most == 64 and n_bytes == 8 and pair < 0x100:
                    at = long_start[n_long]
                    for k in range(8):
                        long_bytes[at + k] = np.uint8(word >> np.uint64(8 * k))
                    while pair < 0x100 and n_bytes < 64:
                        long_bytes[at + n_bytes] = np.uint8(pair)
                        n_bytes += 1
                        p += 2
                        pair = np.int64(hex_of_pair[_word16(base + p)])
            # direction and end
            letter = _word8(base + p)
            if letter == 32:
                letter = _word8(base + p + 1)
                if letter == 84 or letter == 116:  # T
                    marks |= TRANSMITTED
                elif letter != 82 and letter != 114:
                    break
                p += 2
                letter = _word8(base + p)
            if letter == 13:
                p += 1
                letter = _word8(base + p)
            if letter != 10:
                break
            p += 1
            taken = True
            break
        if taken:
            if name < 0:
                name = n_names
                names[name, 0] = last_low
                names[name, 1] = last_high
                names[name, 2] = np.uint64(last_length)
                name_row[name] = n_rows
                last_name = name
                n_names += 1
            t_ns[n_rows] = seconds * SECOND_NS + nano
            channel[n_rows] = name
            identifier[n_rows] = number
            flags[n_rows] = marks
            length[n_rows] = n_bytes
            data[n_rows] = word
            line_of_row[n_rows] = n_lines
            if n_bytes > 8:
                long_row[n_long] = n_rows
                n_long += 1
                long_start[n_long] = long_start[n_long - 1] + n_bytes
            n_rows += 1
        else:
            p = line_start
            while _word8(base + p) != 10:
                p += 1
            if p > line_start:
                odd[n_odd, 0] = line_start
                odd[n_odd, 1] = p
                odd[n_odd, 2] = n_lines
                n_odd += 1
            p += 1
        n_lines += 1
    return p, n_rows, n_long, n_names, n_odd, n_lines


def _name(words: UInt64Array) -> str:
    return words[:2].tobytes()[: int(words[2])].decode("ascii")
