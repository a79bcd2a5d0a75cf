"""Reads large `.log` captures: threads run the compiled parser ahead of whoever takes the blocks."""

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeAlias

import numpy as np

from busdoc.arrays import UInt8Array, UInt64Array
from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.lines import PADDING_BYTES, new_buffer, whole_lines
from busdoc.capture.formats.log.kernel import HEX_OF_PAIR, SHORTEST_LINE, address_of, parse_lines
from busdoc.capture.formats.log.pieces import LogCollector, LogPiece, split_unfinished, unfinished_piece
from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.capture.reading import MOST_CHANNELS, ReadBlock, Reading

__all__ = ["read_log_compiled"]

_CHUNK_BYTES = 4 << 20
_MOST_ODD = 1 << 15
"""Odd lines that the kernel names at a time; there are few, or the file is junk."""


_Ahead: TypeAlias = tuple[UInt8Array, Future[list[LogPiece]]] | None
"""A buffer and what becomes of it; None in the place of a line that is too long."""


def read_log_compiled(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.log` capture's frames in file order; the same blocks' content as from the parser in Python."""
    chunk_bytes = reading.chunk_bytes or _CHUNK_BYTES
    spare: list[UInt8Array] = []

    def next_buffer() -> UInt8Array:
        return spare.pop() if spare else new_buffer(chunk_bytes)

    n_threads = max(1, min(4, os.cpu_count() or 1))
    collector = LogCollector(reading)
    ahead: deque[_Ahead] = deque()

    def collect_next() -> Iterator[ReadBlock]:
        made = ahead.popleft()
        if made is None:
            collector.skip_long_line()
            return
        buffer, pieces = made
        for piece in pieces.result():
            yield collector.collect(piece)
        spare.append(buffer)

    with open_bytes(reading.file) as file, ThreadPoolExecutor(n_threads, "log") as pool:
        for chunk in whole_lines(file, reading, chunk_bytes, next_buffer):
            if chunk is None:
                ahead.append(None)
            else:
                buffer, n_bytes = chunk
                ahead.append((buffer, pool.submit(_parse_chunk, buffer, n_bytes)))
            while len(ahead) > n_threads:
                yield from collect_next()
        while ahead:
            yield from collect_next()


def _parse_chunk(buffer: UInt8Array, n_bytes: int) -> list[LogPiece]:
    n_whole, unfinished = split_unfinished(buffer, n_bytes)
    pieces = []
    start = 0
    while start < n_whole:
        piece, start = _parse_stretch(buffer, start, n_whole)
        pieces.append(piece)
    if unfinished:
        pieces.append(unfinished_piece(unfinished))
    return pieces


def _parse_stretch(buffer: UInt8Array, start: int, stop: int) -> tuple[LogPiece, int]:
    most_rows = (stop - start) // SHORTEST_LINE + 1
    most_long = (stop - start) // (SHORTEST_LINE + 2 * 9) + 1
    t_ns = np.empty(most_rows, np.int64)
    channel = np.empty(most_rows, np.uint8)
    identifier = np.empty(most_rows, np.uint32)
    flags = np.empty(most_rows, np.uint16)
    length = np.empty(most_rows, np.uint8)
    data = np.empty(most_rows, np.uint64)
    line_of_row = np.empty(most_rows, np.int32)
    long_row = np.empty(most_long, np.int64)
    long_start = np.empty(most_long + 1, np.int64)
    long_bytes = np.empty((stop - start) // 2 + PADDING_BYTES, np.uint8)
    names = np.zeros((MOST_CHANNELS, 3), np.uint64)
    name_row = np.empty(MOST_CHANNELS, np.int64)
    odd = np.empty((_MOST_ODD, 3), np.int64)
    end, n_rows, n_long, n_names, n_odd, n_lines = parse_lines(
        address_of(buffer),
        start,
        stop,
        HEX_OF_PAIR,
        t_ns,
        channel,
        identifier,
        flags,
        length,
        data,
        line_of_row,
        long_row,
        long_start,
        long_bytes,
        names,
        name_row,
        odd,
    )
    long = NO_LONG
    if n_long:
        n_long_bytes = int(long_start[n_long])
        long = LongPayloads(
            row=long_row[:n_long].copy(), start=long_start[: n_long + 1].copy(), bytes=long_bytes[:n_long_bytes].copy()
        )
    frames = FrameBlock(
        t_ns=t_ns[:n_rows],
        channel=channel[:n_rows],
        id=identifier[:n_rows],
        flags=flags[:n_rows],
        length=length[:n_rows],
        data=data[:n_rows].view(np.uint8).reshape(n_rows, 8),
        long=long,
    )
    piece = LogPiece(
        frames=frames,
        line_of_row=None if n_lines == n_rows else line_of_row[:n_rows].astype(np.int64),
        names=[(int(name_row[at]), _name(names[at])) for at in range(n_names)],
        odd=[(int(line), buffer[first:last].tobytes()) for first, last, line in odd[:n_odd]],
        n_lines=n_lines,
    )
    return piece, end


def _name(words: UInt64Array) -> str:
    return words[:2].tobytes()[: int(words[2])].decode("ascii")
