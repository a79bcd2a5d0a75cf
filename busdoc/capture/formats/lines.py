"""Cuts a text file into chunks of whole lines, in bounded memory whatever the file holds."""

from collections.abc import Callable, Iterator
from typing import IO

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.files import open_bytes
from busdoc.capture.reading import Reading

__all__ = [
    "LONG_LINE",
    "MOST_LINE_BYTES",
    "PADDING_BYTES",
    "new_buffer",
    "numbered_chunks",
    "numbered_lines",
    "read_into",
    "two_buffers",
    "whole_lines",
]

MOST_LINE_BYTES = 1 << 16
"""A longer line is no frame; it is stepped over without holding it."""

LONG_LINE = f"a line of more than {MOST_LINE_BYTES} bytes"

PADDING_BYTES = 128
"""Room behind a buffer's end, so that a parser may look a word ahead of a line's end."""

_NEWLINE = ord("\n")


def new_buffer(chunk_bytes: int) -> UInt8Array:
    """Make a buffer for `whole_lines` to read into."""
    return np.zeros(MOST_LINE_BYTES + chunk_bytes + PADDING_BYTES, np.uint8)


def two_buffers(chunk_bytes: int) -> Callable[[], UInt8Array]:
    """Give two buffers in turn, for whoever is done with a chunk before asking for the next."""
    spare = [new_buffer(chunk_bytes), new_buffer(chunk_bytes)]

    def next_buffer() -> UInt8Array:
        spare.reverse()
        return spare[0]

    return next_buffer


def whole_lines(
    file: IO[bytes], reading: Reading, chunk_bytes: int, next_buffer: Callable[[], UInt8Array]
) -> Iterator[tuple[UInt8Array, int] | None]:
    """Yield chunks of whole lines, and None in the place of a line that is too long.

    Parameters
    ----------
    file : read to its end; where a compressed one is cut off or damaged, reading ends with a warning
    reading : told how many bytes were read; asked when to give up
    chunk_bytes : how much is read at a time
    next_buffer : gives a buffer of `new_buffer` that nobody uses any more

    Yields
    ------
    A buffer and how many bytes of it are whole lines. Only the last chunk may lack its newline. A long tail of NUL
    bytes, which a power cut leaves, is shortened to one.
    The file is left where it goes on without one frame (see `Reading.is_barren`).
    """
    buffer = next_buffer()
    n_filled = 0
    in_long_line = False
    while not reading.is_barren():
        n_read = read_into(file, reading, buffer.data[n_filled : n_filled + chunk_bytes])
        if not n_read:
            break
        reading.n_bytes += n_read
        n_filled += n_read
        # inside a line that is too long: forget it up to its newline, then tell of it
        if in_long_line:
            newlines = np.flatnonzero(buffer[:n_filled] == _NEWLINE)
            if not len(newlines):
                n_filled = 0
                continue
            in_long_line = False
            yield None
            rest = buffer[newlines[0] + 1 : n_filled].copy()
            n_filled = len(rest)
            buffer[:n_filled] = rest
        # what stands behind the last newline is carried into the next chunk, unless it is no line any more
        cut = _after_last_newline(buffer, n_filled)
        carry = buffer[cut:n_filled]
        if len(carry) > MOST_LINE_BYTES:
            without_nul = carry.tobytes().strip(b"\0")
            in_long_line = len(without_nul) > MOST_LINE_BYTES - 1
            carry = np.frombuffer(b"" if in_long_line else without_nul + b"\0", np.uint8)
        # hand out the whole lines, and go on in another buffer
        if cut:
            following = next_buffer()
            following[: len(carry)] = carry
            yield buffer, cut
            buffer = following
        else:
            buffer[: len(carry)] = carry
        n_filled = len(carry)
    if in_long_line:
        yield None
    elif n_filled:
        yield buffer, n_filled


def numbered_chunks(reading: Reading, chunk_bytes: int) -> Iterator[tuple[int, bytes]]:
    """Yield a file's chunks of whole lines, each with the number of its first line; too long lines are counted."""
    line = 1
    with open_bytes(reading.file) as file:
        for chunk in whole_lines(file, reading, chunk_bytes, two_buffers(chunk_bytes)):
            if chunk is None:
                reading.skip(line, LONG_LINE)
                line += 1
                continue
            buffer, n_bytes = chunk
            text = buffer[:n_bytes].tobytes()
            yield line, text
            line += text.count(b"\n")


def numbered_lines(reading: Reading, chunk_bytes: int) -> Iterator[tuple[int, bytes, bool]]:
    """Yield a file's lines without their ends: number, text, and whether it is a last line without an end."""
    for first_line, text in numbered_chunks(reading, chunk_bytes):
        lines = text.split(b"\n")
        unfinished = lines.pop()
        for line, content in enumerate(lines, first_line):
            yield line, content, False
        if unfinished:
            yield first_line + len(lines), unfinished, True


def read_into(file: IO[bytes], reading: Reading, room: memoryview) -> int:
    """Fill `room` as far as the file goes; a damaged or cut-off compressed file reads as ended, with a warning."""
    n_read = 0
    try:
        while n_read < len(room):
            n_more = file.readinto(room[n_read:])  # type: ignore[attr-defined]  # every binary stream has it
            if not n_more:
                break
            n_read += n_more
    except EOFError:
        reading.warn("the compressed file is cut off; what was before the cut is used.")
    except OSError as error:
        reading.warn(f"the file is damaged ({error}); what was before the damage is used.")
    return n_read


def _after_last_newline(buffer: UInt8Array, n_filled: int) -> int:
    """Find where the last whole line ends; 0 when there is none."""
    stop = n_filled
    while stop > 0:
        start = max(0, stop - 4096)
        newlines = np.flatnonzero(buffer[start:stop] == _NEWLINE)
        if len(newlines):
            return start + int(newlines[-1]) + 1
        stop = start
    return 0
