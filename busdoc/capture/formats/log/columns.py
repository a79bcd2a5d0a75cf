"""The parser of `.log` in numpy: a chunk's lines as columns of characters.

It takes the plain data frames with six decimals, nearly all of a capture, and hands every other line on. What it takes
it reads as the grammar of `busdoc.capture.formats.log.line` does.
"""

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array, UInt16Array, UInt32Array, UInt64Array
from busdoc.capture.formats.lines import PADDING_BYTES
from busdoc.capture.formats.log.line import ERROR_BIT
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.reading import LATEST_NS, MOST_CHANNELS

__all__ = ["parse_columns"]

_LONGEST_NAME = 15
_SECONDS_DIGITS = 10
_DECIMALS = 6
_NO_HEX = 255


def _hex_digits() -> UInt8Array:
    table = np.full(256, _NO_HEX, np.uint8)
    for value, text in enumerate("0123456789abcdef"):
        table[ord(text)] = table[ord(text.upper())] = value
    return table


_HEX = _hex_digits()


def parse_columns(buffer: UInt8Array, n_bytes: int) -> Stretch:
    """Parse whole lines.

    Parameters
    ----------
    buffer, n_bytes : the text, which ends with a newline and has `PADDING_BYTES` of room behind it
    """
    # where each line starts and ends, and the bracket and the # that part it
    text = buffer[: n_bytes + PADDING_BYTES]
    newline = np.flatnonzero(text[:n_bytes] == ord("\n"))
    start = np.concatenate((np.zeros(1, np.int64), newline[:-1] + 1))
    end = newline - (text[newline - 1] == ord("\r"))
    close = _first_after(text[:n_bytes], ord(")"), start)
    hash_ = _first_after(text[:n_bytes], ord("#"), start)
    # the lines that have these in the common places; every other one is odd
    common = (text[start] == ord("(")) & (close < hash_) & (hash_ < end) & (text[close + 1] == ord(" "))
    common &= (close - start >= _DECIMALS + 3) & (hash_ - close >= len(" c 123"))
    common = np.flatnonzero(common)
    start, end, close, hash_ = start[common], end[common], close[common], hash_[common]

    # their fields, each (n,) with what is wrong with it
    t_ns, good = _times(text, start, close)
    id_, id_flags, id_start, id_good = _identifiers(text, hash_)
    words, name_good = _names(text, close + 2, id_start - 1)
    is_sent, end = _directions(text, hash_, end)
    data, length, data_good = _payloads(text, hash_ + 1, end)
    good &= id_good & name_good & data_good
    # channels numbered by their first good line
    channel, first_row, names = _channels(words[good])
    few = channel < MOST_CHANNELS
    if not few.all():  # a flood: what is beyond goes the long way, where it is counted
        good[np.flatnonzero(good)[~few]] = False
        channel, names = channel[few], names[:MOST_CHANNELS]
        first_row = np.array([int(np.argmax(channel == at)) for at in range(len(names))], np.int64)

    # what was not taken is handed on as text
    line_of_row = common[good]
    taken = np.zeros(len(newline), np.bool_)
    taken[line_of_row] = True
    line_start = np.concatenate((np.zeros(1, np.int64), newline[:-1] + 1))
    odd = np.flatnonzero(~taken & (newline > line_start))
    flags = id_flags[good] | np.where(is_sent[good], np.uint16(FrameFlag.TRANSMITTED), np.uint16(0))
    return Stretch(
        frames=FrameBlock(
            t_ns=t_ns[good],
            channel=channel.astype(np.uint8),
            id=id_[good],
            flags=flags,
            length=length[good],
            data=data.compress(good, axis=0),
        ),
        line_of_row=None if len(line_of_row) == len(newline) else line_of_row,
        names=list(zip(first_row.tolist(), names, strict=True)),
        odd=[(int(line), text[line_start[line] : newline[line]].tobytes()) for line in odd],
        n_lines=len(newline),
    )


def _first_after(text: UInt8Array, letter: int, start: Int64Array) -> Int64Array:
    """Find the first `letter` at or behind each start; the text's end where there is none."""
    found = np.append(np.flatnonzero(text == letter), len(text))
    return found[np.searchsorted(found, start)]


def _window(text: UInt8Array, first: Int64Array, n_letters: int) -> UInt8Array:
    """Give (n, n_letters) characters from each position on; whatever, where a position lies before the text."""
    return text[np.maximum(first, 0)[:, None] + np.arange(n_letters)]


def _times(text: UInt8Array, start: Int64Array, close: Int64Array) -> tuple[Int64Array, BoolArray]:
    """Read (seconds.decimals), of one to ten and of exactly six digits."""
    point = close - _DECIMALS - 1
    n_digits = point - start - 1
    good = (text[point] == ord(".")) & (n_digits >= 1) & (n_digits <= _SECONDS_DIGITS)
    first = point - _SECONDS_DIGITS
    at = first[:, None] + np.arange(_SECONDS_DIGITS)
    digits = text[np.maximum(at, 0)] - np.uint8(ord("0"))
    digits[at <= start[:, None]] = 0
    decimals = _window(text, point + 1, _DECIMALS) - np.uint8(ord("0"))
    good &= (digits <= 9).all(axis=1) & (decimals <= 9).all(axis=1)
    micros = np.zeros(len(start), np.int64)
    for column in (*digits.T, *decimals.T):
        micros = micros * 10 + column
    good &= micros <= LATEST_NS // 1000
    return micros * 1000, good


def _identifiers(text: UInt8Array, hash_: Int64Array) -> tuple[UInt32Array, UInt16Array, Int64Array, BoolArray]:
    """Read the three or eight digits before each #; also give where they begin."""
    is_base = text[hash_ - 4] == ord(" ")
    is_long = text[hash_ - 9] == ord(" ")
    digits = _HEX[_window(text, hash_ - 8, 8)]
    digits[is_base, :5] = 0
    good = (is_base | is_long) & (digits < 16).all(axis=1)
    number = np.zeros(len(hash_), np.int64)
    for column in digits.T:
        number = number << 4 | column
    is_error = ~is_base & (number & ERROR_BIT != 0)
    good &= np.where(is_base, number <= 0x7FF, number < 0x40000000)
    flags = np.where(is_base, 0, np.where(is_error, int(FrameFlag.ERROR), int(FrameFlag.EXTENDED)))
    number[is_error] &= ~ERROR_BIT
    return number.astype(np.uint32), flags.astype(np.uint16), hash_ - np.where(is_base, 3, 8), good


def _names(text: UInt8Array, first: Int64Array, end: Int64Array) -> tuple[UInt64Array, BoolArray]:
    """Read channel names of up to 15 characters as (n, 2) words."""
    n_letters = end - first
    letters = _window(text, first, _LONGEST_NAME + 1)
    beyond = np.arange(_LONGEST_NAME + 1) >= n_letters[:, None]
    good = (n_letters >= 1) & (n_letters <= _LONGEST_NAME)
    good &= (beyond | ((letters > ord(" ")) & (letters < 0x7F))).all(axis=1)
    letters[beyond] = 0
    return letters.view(np.uint64), good


def _channels(words: UInt64Array) -> tuple[Int64Array, Int64Array, list[str]]:
    """Number names by their first row; give numbers, those rows, and the names."""
    if not len(words):
        return np.empty(0, np.int64), np.empty(0, np.int64), []
    if (words == words[0]).all():
        return np.zeros(len(words), np.int64), np.zeros(1, np.int64), [_text(words[0])]
    known, first_row, which = np.unique(words, axis=0, return_index=True, return_inverse=True)
    by_row = np.argsort(first_row)
    number = np.empty(len(by_row), np.int64)
    number[by_row] = np.arange(len(by_row))
    return number[which.ravel()], first_row[by_row], [_text(word) for word in known[by_row]]


def _text(word: UInt64Array) -> str:
    return word.tobytes().rstrip(b"\0").decode("ascii")


def _directions(text: UInt8Array, hash_: Int64Array, end: Int64Array) -> tuple[BoolArray, Int64Array]:
    """Tell which lines end in a mark of direction; give what was sent, and where the payload ends."""
    mark = text[end - 1] | 0x20
    is_marked = (end - hash_ >= 3) & (text[end - 2] == ord(" ")) & ((mark == ord("r")) | (mark == ord("t")))
    return is_marked & (mark == ord("t")), end - 2 * is_marked


def _payloads(text: UInt8Array, first: Int64Array, end: Int64Array) -> tuple[UInt8Array, UInt8Array, BoolArray]:
    """Read up to eight bytes as pairs of digits."""
    n_digits = end - first
    good: BoolArray = (n_digits >= 0) & (n_digits <= 16) & (n_digits % 2 == 0)
    digits = _HEX[_window(text, first, 16)]
    digits[np.arange(16) >= n_digits[:, None]] = 0
    good &= (digits < 16).all(axis=1)
    data = (digits[:, ::2] << 4 | digits[:, 1::2]).astype(np.uint8, copy=False)
    return data, (n_digits // 2).astype(np.uint8), good
