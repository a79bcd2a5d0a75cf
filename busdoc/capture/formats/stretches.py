"""What a fast parser of text makes of a stretch of lines, and how the stretches become one file's frames again.

The fast parsers know nothing of the lines before theirs, nor how a channel is numbered; that is settled here, in file
order. Where a line turns out to change how the following ones are to be read, a piece ends behind it.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.capture.formats.grammar import Grammar, Parsed
from busdoc.capture.formats.lines import LONG_LINE
from busdoc.capture.formats.rows import TIME_OUT_OF_RANGE, TOO_MANY_CHANNELS, FrameLine, FrameRows, judge_line
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["Collector", "Stretch", "by_line", "split_unfinished", "unfinished_stretch"]

_FEW = 200
"""Where no more than one frame in so many was read by itself, setting each in takes less than sorting all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
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
    odd_ends: list[int] = field(default_factory=list)
    """Where in the text the line behind each odd one begins, for kinds in which an odd line may change the layout."""

    def up_to(self, n_odd: int) -> "Stretch":
        """Give the piece as far as its odd line number `n_odd`, that one included, counted from 1."""
        n_lines = self.odd[n_odd - 1][0] + 1
        lines = np.arange(len(self.frames)) if self.line_of_row is None else self.line_of_row
        n_rows = int(np.searchsorted(lines, n_lines))
        return Stretch(
            frames=self.frames.slice(0, n_rows),
            line_of_row=lines[:n_rows],
            names=[(row, name) for row, name in self.names if row < n_rows],
            odd=self.odd[:n_odd],
            odd_ends=self.odd_ends[:n_odd],
            n_lines=n_lines,
        )


def split_unfinished(buffer: UInt8Array, n_bytes: int) -> tuple[int, bytes]:
    """Give how far whole lines go, and what stands behind the last newline."""
    if not n_bytes or buffer[n_bytes - 1] == ord("\n"):
        return n_bytes, b""
    text = buffer[:n_bytes].tobytes()
    end = text.rfind(b"\n") + 1
    return end, text[end:]


def unfinished_stretch(text: bytes) -> Stretch:
    """Make the piece of a last line that lacks its newline."""
    return Stretch(frames=FrameBlock.empty(), line_of_row=None, names=[], odd=[(0, text)], n_lines=0)


class Collector:
    """Takes what a parser made, in file order; judges odd lines, numbers lines and channels."""

    def __init__(self, reading: Reading, grammar: Grammar) -> None:
        self._reading = reading
        self._grammar = grammar
        self._line = 1
        self._beyond: list[int] = []
        """The rows of the last piece whose times are out of range."""
        self.cut_at: int | None = None
        """Where in the text the lines begin that the last piece collected did not hold for; None: it held whole."""

    def skip_long_line(self) -> None:
        """Count a line that was too long to be held."""
        self._reading.skip(self._line, LONG_LINE)
        self._line += 1

    def collect(self, piece: Stretch) -> ReadBlock:
        """Give the next piece's frames with the file's numbers, its odd lines in their places."""
        self.cut_at = None
        self._beyond.clear()
        if not piece.n_lines:
            block = self._finish_last(piece)
        else:
            parsed = self._judge(piece)
            if len(parsed) < len(piece.odd) or self.cut_at is not None:
                piece = piece.up_to(len(parsed))
            block = self._finish(piece, parsed)
        self._line += piece.n_lines
        self._reading.n_frames += len(block.frames)
        return block

    def _judge(self, piece: Stretch) -> list[Parsed]:
        """Have the odd lines read in their order, up to the first that changes how the lines behind it are read."""
        grammar, layout = self._grammar, self._grammar.layout
        parsed: list[Parsed] = []
        lines = np.arange(len(piece.frames)) if piece.line_of_row is None else piece.line_of_row
        n_before = np.searchsorted(lines, [line for line, _ in piece.odd]).tolist()
        n_told = 0
        for at, (_, text) in enumerate(piece.odd):
            self._follow(piece.frames.t_ns, n_told, n_before[at])
            n_told = n_before[at]
            parsed.append(grammar.read(text))
            if grammar.layout != layout:
                self.cut_at = piece.odd_ends[at]
                return parsed
        self._follow(piece.frames.t_ns, n_told, len(piece.frames))
        return parsed

    def _follow(self, t_ns: Int64Array, first: int, last: int) -> None:
        """Give the grammar the times of the frames between two odd lines."""
        beyond = self._grammar.follow(t_ns[first:last]) if last > first else None
        if beyond is not None:
            self._beyond += (first + np.flatnonzero(beyond)).tolist()

    def _finish(self, piece: Stretch, parsed_odd: list[Parsed]) -> ReadBlock:
        first_line = self._line
        lines = None if piece.line_of_row is None else piece.line_of_row + first_line
        block = ReadBlock(frames=piece.frames, first_line=first_line, lines=lines)
        # number all channels in the order of their lines
        odd = [(first_line + line, parsed) for (line, _), parsed in zip(piece.odd, parsed_odd, strict=True)]
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
        if self._beyond:
            skips.extend((block.line_of(row), TIME_OUT_OF_RANGE) for row in self._beyond)
            fits = np.ones(len(block.frames), np.bool_)
            fits[self._beyond] = False
            block = replace(block, frames=block.frames.take(fits), lines=block.all_lines()[fits])
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
        return by_line(block, rows) if len(rows) else block

    def _finish_last(self, piece: Stretch) -> ReadBlock:
        """Judge a last line without a newline: half a line is normal there, and only told."""
        rows = FrameRows()
        for _, text in piece.odd:
            judge_line(self._reading, rows, self._line, text, self._grammar.read(text), last=True)
        return rows.take()

    def _number_channels(
        self, block: ReadBlock, names: list[tuple[int, str]], odd: list[tuple[int, Parsed]]
    ) -> Int64Array:
        """Number the channels in the order of their first lines; -1 for one too many."""
        met = [(block.line_of(row), name) for row, name in names]
        met += [(line, parsed.channel) for line, parsed in odd if isinstance(parsed, FrameLine)]
        for _, name in sorted(met):
            self._reading.channel(name)
        numbers = (self._reading.channel(name) for _, name in names)
        return np.array([-1 if number is None else number for number in numbers], np.int64)


def by_line(block: ReadBlock, rows: FrameRows) -> ReadBlock:
    """Put frames that were read one by one into their places."""
    odd = rows.take()
    if len(odd.frames) * _FEW <= len(block.frames):
        return _set_in(block, odd)
    joined = ReadBlock.join(block, odd)
    lines = joined.all_lines()
    order = np.argsort(lines, kind="stable")
    return ReadBlock(frames=joined.frames.take(order), first_line=int(lines[order[0]]), lines=lines[order])


def _set_in(block: ReadBlock, odd: ReadBlock) -> ReadBlock:
    """Cut a block where a few frames belong, and set them in: every other one is copied with its neighbours."""
    lines, odd_lines = block.all_lines(), odd.all_lines()
    cuts = np.searchsorted(lines, odd_lines).tolist()
    frames: list[FrameBlock] = []
    numbers: list[Int64Array] = []
    done = 0
    for row, cut in enumerate(cuts):
        frames += [block.frames.slice(done, cut), odd.frames.slice(row, row + 1)]
        numbers += [lines[done:cut], odd_lines[row : row + 1]]
        done = cut
    frames.append(block.frames.slice(done, len(lines)))
    all_lines = np.concatenate([*numbers, lines[done:]])
    return ReadBlock(frames=FrameBlock.concat(frames), first_line=int(all_lines[0]), lines=all_lines)
