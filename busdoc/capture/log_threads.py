"""Reads large `.log` captures: threads run the compiled parser ahead of whoever takes the blocks."""

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, UInt64Array
from busdoc.capture.files import open_bytes
from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.capture.lines import LONG_LINE, PADDING_BYTES, new_buffer, whole_lines
from busdoc.capture.log import TOO_MANY_CHANNELS, add_line, judge_line, read_line
from busdoc.capture.log_kernel import HEX_OF_PAIR, SHORTEST_LINE, address_of, parse_lines
from busdoc.capture.log_line import LogLine
from busdoc.capture.reading import MOST_CHANNELS, ReadBlock, Reading
from busdoc.capture.rows import FrameRows

__all__ = ["read_log_compiled"]

_CHUNK_BYTES = 8 << 20
_MOST_ODD = 1 << 15
"""Odd lines that the kernel names at a time; there are few, or the file is junk."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Piece:
    """What the kernel made of a stretch of lines."""

    frames: FrameBlock
    line_of_row: Int64Array | None
    """Counted from 0; None when every line is a frame."""
    names: list[tuple[int, str]]
    """The row of each channel's first frame, and its name; by the number that the frames give it."""
    odd: list[tuple[int, bytes]]
    n_lines: int


def read_log_compiled(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.log` capture's frames in file order; the same blocks' content as from the parser in Python."""
    chunk_bytes = reading.chunk_bytes or _CHUNK_BYTES
    spare: list[UInt8Array] = []

    def next_buffer() -> UInt8Array:
        return spare.pop() if spare else new_buffer(chunk_bytes)

    n_threads = max(1, min(4, os.cpu_count() or 1))
    collector = _Collector(reading)
    ahead: deque[tuple[UInt8Array, Future[list[_Piece]]] | None] = deque()
    with open_bytes(reading.file) as file, ThreadPoolExecutor(n_threads, "log") as pool:
        for chunk in whole_lines(file, reading, chunk_bytes, next_buffer):
            if chunk is None:
                ahead.append(None)
            else:
                buffer, n_bytes = chunk
                ahead.append((buffer, pool.submit(_parse_chunk, buffer, n_bytes)))
            while len(ahead) > n_threads:
                yield from collector.collect(ahead.popleft(), spare)
        while ahead:
            yield from collector.collect(ahead.popleft(), spare)


def _parse_chunk(buffer: UInt8Array, n_bytes: int) -> list[_Piece]:
    """Parse a chunk; a last line without a newline is named odd, with nothing behind it."""
    unfinished = b""
    if buffer[n_bytes - 1] != ord("\n"):
        text = buffer[:n_bytes].tobytes()
        end = text.rfind(b"\n") + 1
        unfinished, n_bytes = text[end:], end
    pieces = []
    start = 0
    while start < n_bytes:
        piece, start = _parse_stretch(buffer, start, n_bytes)
        pieces.append(piece)
    if unfinished:
        pieces.append(_Piece(frames=FrameBlock.empty(), line_of_row=None, names=[], odd=[(0, unfinished)], n_lines=0))
    return pieces


def _parse_stretch(buffer: UInt8Array, start: int, stop: int) -> tuple[_Piece, int]:
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
    piece = _Piece(
        frames=frames,
        line_of_row=None if n_lines == n_rows else line_of_row[:n_rows].astype(np.int64),
        names=[(int(name_row[at]), _name(names[at])) for at in range(n_names)],
        odd=[(int(line), buffer[first:last].tobytes()) for first, last, line in odd[:n_odd]],
        n_lines=n_lines,
    )
    return piece, end


def _name(words: UInt64Array) -> str:
    return words[:2].tobytes()[: int(words[2])].decode("ascii")


class _Collector:
    """Takes what the threads made, in file order; judges odd lines, numbers lines and channels."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._line = 1

    def collect(
        self, made: "tuple[UInt8Array, Future[list[_Piece]]] | None", spare: list[UInt8Array]
    ) -> Iterator[ReadBlock]:
        if made is None:
            self._reading.skip(self._line, LONG_LINE)
            self._line += 1
            return
        buffer, pieces = made
        for piece in pieces.result():
            block = self._finish(piece)
            self._line += piece.n_lines
            self._reading.n_frames += len(block.frames)
            yield block
        spare.append(buffer)

    def _finish(self, piece: _Piece) -> ReadBlock:
        """Give the piece's frames with the file's numbers, the odd lines among them in their places."""
        if piece.n_lines == 0:
            return self._finish_last(piece)
        first_line = self._line
        lines = None if piece.line_of_row is None else piece.line_of_row + first_line
        block = ReadBlock(frames=piece.frames, first_line=first_line, lines=lines)
        odd = [(first_line + line, read_line(text)) for line, text in piece.odd]
        own_number = self._number_channels(block, piece.names, odd)
        rows, skips = FrameRows(), []
        for line, parsed in odd:
            if isinstance(parsed, str):
                skips.append((line, parsed))
            elif parsed is not None:
                channel = self._reading.channel(parsed.channel)
                if channel is None:
                    skips.append((line, TOO_MANY_CHANNELS))
                else:
                    rows.add(line, parsed.t_ns, channel, parsed.id, parsed.flags, parsed.length, parsed.payload)
        if not np.array_equal(own_number, np.arange(len(own_number))):
            channel_of_row = own_number[block.frames.channel]
            block = replace(block, frames=replace(block.frames, channel=channel_of_row.astype(np.uint8)))
            fits = channel_of_row >= 0
            if not fits.all():
                skips.extend((block.line_of(int(row)), TOO_MANY_CHANNELS) for row in np.flatnonzero(~fits))
                block = replace(block, frames=block.frames.take(fits), lines=block.all_lines()[fits])
        for line, reason in sorted(skips):
            self._reading.skip(line, reason)
        return _by_line(block, rows) if len(rows) else block

    def _finish_last(self, piece: _Piece) -> ReadBlock:
        """Judge a last line without a newline."""
        rows = FrameRows()
        for _, text in piece.odd:
            parsed = judge_line(self._reading, self._line, text, last=True)
            if parsed is not None:
                add_line(self._reading, rows, self._line, parsed)
        return rows.take()

    def _number_channels(
        self, block: ReadBlock, names: list[tuple[int, str]], odd: list[tuple[int, LogLine | str | None]]
    ) -> Int64Array:
        """Number the channels in the order of their first lines; -1 for one too many."""
        met = [(block.line_of(row), name) for row, name in names]
        met += [(line, parsed.channel) for line, parsed in odd if isinstance(parsed, LogLine)]
        for _, name in sorted(met):
            self._reading.channel(name)
        numbers = (self._reading.channel(name) for _, name in names)
        return np.array([-1 if number is None else number for number in numbers], np.int64)


def _by_line(block: ReadBlock, rows: FrameRows) -> ReadBlock:
    """Put frames that were read one by one into their places."""
    joined = ReadBlock.join(block, rows.take())
    lines = joined.all_lines()
    order = np.argsort(lines, kind="stable")
    return ReadBlock(frames=joined.frames.take(order), first_line=int(lines[order[0]]), lines=lines[order])
