"""What a parser of `.log` makes of a stretch of lines, and how the stretches become one file's frames again.

The fast parsers know nothing of the lines before theirs, nor how a channel is numbered; that is settled here, in file
order.
"""

from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.capture.formats.lines import LONG_LINE, MOST_LINE_BYTES
from busdoc.capture.formats.log.line import parse_line
from busdoc.capture.formats.rows import TOO_MANY_CHANNELS, FrameLine, FrameRows, judge_line
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["LogCollector", "LogPiece", "split_unfinished", "unfinished_piece"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogPiece:
    """What a parser made of a stretch of lines: frames of those written the common way, and all others."""

    frames: FrameBlock
    line_of_row: Int64Array | None
    """Counted from 0; None when every line is a frame."""
    names: list[tuple[int, str]]
    """The row of each channel's first frame, and its name; by the number that the frames give it."""
    odd: list[tuple[int, bytes]]
    """The other lines that are not empty, by number from 0."""
    n_lines: int
    """0 for the piece of a last line that lacks its newline."""


def split_unfinished(buffer: UInt8Array, n_bytes: int) -> tuple[int, bytes]:
    """Give how far whole lines go, and what stands behind the last newline."""
    if not n_bytes or buffer[n_bytes - 1] == ord("\n"):
        return n_bytes, b""
    text = buffer[:n_bytes].tobytes()
    end = text.rfind(b"\n") + 1
    return end, text[end:]


def unfinished_piece(text: bytes) -> LogPiece:
    """Make the piece of a last line that lacks its newline."""
    return LogPiece(frames=FrameBlock.empty(), line_of_row=None, names=[], odd=[(0, text)], n_lines=0)


class LogCollector:
    """Takes what a parser made, in file order; judges odd lines, numbers lines and channels."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._line = 1

    def skip_long_line(self) -> None:
        """Count a line that was too long to be held."""
        self._reading.skip(self._line, LONG_LINE)
        self._line += 1

    def collect(self, piece: LogPiece) -> ReadBlock:
        """Give the next piece's frames with the file's numbers, its odd lines in their places."""
        block = self._finish(piece) if piece.n_lines else self._finish_last(piece)
        self._line += piece.n_lines
        self._reading.n_frames += len(block.frames)
        return block

    def _finish(self, piece: LogPiece) -> ReadBlock:
        first_line = self._line
        lines = None if piece.line_of_row is None else piece.line_of_row + first_line
        block = ReadBlock(frames=piece.frames, first_line=first_line, lines=lines)
        # judge the odd lines, and number all channels in the order of their lines
        odd = [(first_line + line, _read_line(text)) for line, text in piece.odd]
        own_number = self._number_channels(block, piece.names, odd)
        # odd lines that are frames after all become rows, the others are skipped with the reason
        rows, skips = FrameRows(), []
        for line, parsed in odd:
            if isinstance(parsed, str):
                skips.append((line, parsed))
            elif parsed is not None:
                channel = self._reading.channel(parsed.channel)
                if channel is None:
                    skips.append((line, TOO_MANY_CHANNELS))
                else:
                    rows.add(line, channel, parsed)
        # the piece's own numbers of channels become the file's; frames on one channel too many are skipped
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

    def _finish_last(self, piece: LogPiece) -> ReadBlock:
        """Judge a last line without a newline: half a line is normal there, and only told."""
        rows = FrameRows()
        for _, text in piece.odd:
            judge_line(self._reading, rows, self._line, text, _read_line(text), last=True)
        return rows.take()

    def _number_channels(
        self, block: ReadBlock, names: list[tuple[int, str]], odd: list[tuple[int, FrameLine | str | None]]
    ) -> Int64Array:
        """Number the channels in the order of their first lines; -1 for one too many."""
        met = [(block.line_of(row), name) for row, name in names]
        met += [(line, parsed.channel) for line, parsed in odd if isinstance(parsed, FrameLine)]
        for _, name in sorted(met):
            self._reading.channel(name)
        numbers = (self._reading.channel(name) for _, name in names)
        return np.array([-1 if number is None else number for number in numbers], np.int64)


def _read_line(line: bytes) -> FrameLine | str | None:
    return LONG_LINE if len(line) > MOST_LINE_BYTES else parse_line(line)


def _by_line(block: ReadBlock, rows: FrameRows) -> ReadBlock:
    """Put frames that were read one by one into their places."""
    joined = ReadBlock.join(block, rows.take())
    lines = joined.all_lines()
    order = np.argsort(lines, kind="stable")
    return ReadBlock(frames=joined.frames.take(order), first_line=int(lines[order[0]]), lines=lines[order])
