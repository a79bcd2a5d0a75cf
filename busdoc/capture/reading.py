"""What becomes known while one file of a capture is read, apart from its frames.

A reader names channels, counts what it skips and says what is odd here; the capture collects it.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock
from busdoc.capture.place import Piece, piece_of
from busdoc.times import SECOND_NS

__all__ = [
    "FIRST_YEAR",
    "LAST_YEAR",
    "LATEST_NS",
    "MOST_BARREN_BYTES",
    "MOST_CHANNELS",
    "ReadBlock",
    "Reading",
    "RecorderGap",
    "SkipCount",
    "SkippedLine",
]

MOST_CHANNELS = 256

LATEST_NS = 4_600_000_000 * SECOND_NS
"""Times beyond the year 2115 are taken for damage; this leaves int64 room to shift by as much again."""

FIRST_YEAR, LAST_YEAR = 1971, 2100
"""A recorder whose clock shows another year has no date worth the name, in any zone."""

MOST_BARREN_BYTES = 64 << 20
_MOST_WARNINGS = 5
_MOST_GAPS = 1000
_MOST_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class SkippedLine:
    """One line that was left out, and why."""

    file: Path
    line: int
    """Counted from 1; in a binary file the number of the object or row."""
    reason: str


class SkipCount:
    """Counts the lines that were left out, and names the first few."""

    def __init__(self) -> None:
        self.total = 0
        self._first: list[SkippedLine] = []

    @property
    def first(self) -> tuple[SkippedLine, ...]:
        """The first few that were left out, as they were met."""
        return tuple(self._first)

    def add(self, file: Path, line: int, reason: str) -> None:
        """Count one line."""
        if len(self._first) < _MOST_NAMED:
            self._first.append(SkippedLine(file=file, line=line, reason=reason))
        self.total += 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderGap:
    """A stretch that the recorder did not record, or in which its clock was set; no controller lost frames there."""

    from_ns: int
    to_ns: int
    """Later than `from_ns`."""
    channel: int | None
    """The only channel that it holds for; None for all."""
    why: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadBlock:
    """Frames in the order of the file, times as written, channels as the file's own numbers."""

    frames: FrameBlock
    first_line: int
    lines: Int64Array | None = None
    """(n,) the line of each frame; None when they follow each other from `first_line` on."""

    def line_of(self, row: int) -> int:
        """Give the number of the line that a frame stood on."""
        return self.first_line + row if self.lines is None else int(self.lines[row])

    def all_lines(self) -> Int64Array:
        """Give the number of the line of each frame."""
        if self.lines is not None:
            return self.lines
        return np.arange(self.first_line, self.first_line + len(self.frames), dtype=np.int64)

    def tail(self, first: int) -> "ReadBlock":
        """Give the frames from row `first` on."""
        return ReadBlock(
            frames=self.frames.slice(first, len(self.frames)),
            first_line=self.first_line + first,
            lines=None if self.lines is None else self.lines[first:],
        )

    @staticmethod
    def join(first: "ReadBlock", second: "ReadBlock") -> "ReadBlock":
        """Put two blocks one after the other."""
        return ReadBlock(
            frames=FrameBlock.concat([first.frames, second.frames]),
            first_line=first.first_line,
            lines=np.concatenate((first.all_lines(), second.all_lines())),
        )


class Reading:
    """One file being read: its channels by name, its warnings, gaps, and what was skipped."""

    def __init__(
        self,
        file: Path,
        *,
        skipped: SkipCount | None = None,
        wall_clock: tzinfo = UTC,
        chunk_bytes: int | None = None,
        compiled: bool = False,
    ) -> None:
        self.file = file
        self.skipped = SkipCount() if skipped is None else skipped
        self.wall_clock = wall_clock
        """The zone of recorders that write wall-clock time without one."""
        self.chunk_bytes = chunk_bytes
        """How much of a text is parsed at a time; None for the reader's own choice."""
        self.compiled = compiled
        """Whether the input is large enough to pay for loading the compiled parser."""
        self.channel_names: list[str] = []
        self.n_frames = 0
        """Frames found so far, and `n_bytes` read so far: the reader keeps both."""
        self.n_bytes = 0
        self.gave_up = False
        """Whether the rest is left unread, since nothing more came of it."""
        self.warnings: list[str] = []
        self.gaps: list[RecorderGap] = []
        self.number_of: dict[str, int] = {}
        """The channels met so far, by name; `channel` adds to them."""
        self.piece: Piece | None = piece_of(file)
        """Which piece of a recording of busdoc's own the file is."""
        self._times_warned: dict[str, int] = {}
        self._frames_at_last_look = 0
        self._bytes_at_last_frame = 0

    def channel(self, name: str) -> int | None:
        """Give the file's own number of a channel, a new one when it was not met; None when there are too many."""
        number = self.number_of.get(name)
        if number is None:
            number = len(self.channel_names)
            if number >= MOST_CHANNELS:
                return None
            self.number_of[name] = number
            self.channel_names.append(name)
        return number

    def unix_ns(self, start: datetime) -> int:
        """Give the Unix time of a wall clock without a zone, as some captures write it; say which zone was taken.

        Raises
        ------
        ValueError : it lies before 1970 or beyond what a time may be
        """
        if not FIRST_YEAR <= start.year < LAST_YEAR:
            raise ValueError(f"the year {start.year}")
        self.warn(f"its times are wall-clock times without a zone; they are read as {self.wall_clock}.")
        whole_s = round(start.replace(tzinfo=self.wall_clock, microsecond=0).timestamp())
        return whole_s * SECOND_NS + start.microsecond * 1000

    def is_barren(self) -> bool:
        """Whether the file has gone on for so long without one frame that reading stops; says so.

        A stray archive or a bomb of zeros behind gzip would else be inflated for hours; a recorder that takes its disk
        beforehand leaves as many zeros behind good frames.
        """
        if self.n_frames > self._frames_at_last_look:
            self._frames_at_last_look = self.n_frames
            self._bytes_at_last_frame = self.n_bytes
        if self.n_bytes - self._bytes_at_last_frame <= MOST_BARREN_BYTES:
            return False
        self.gave_up = True
        self.warn(f"it goes on for {MOST_BARREN_BYTES >> 20} MB without one frame; the rest is left unread.")
        return True

    def skip(self, line: int, reason: str) -> None:
        """Count a line that is left out."""
        self.skipped.add(self.file, line, reason)

    def warn(self, text: str, *, kind: str | None = None) -> None:
        """Say what is odd about the file, as a sentence; the same once only, and of one `kind` only the first few."""
        if text in self.warnings:
            return
        if kind is not None:
            times = self._times_warned[kind] = self._times_warned.get(kind, 0) + 1
            if times > _MOST_WARNINGS:
                return
            if times == _MOST_WARNINGS:
                text += " Further warnings of this kind are left out."
        self.warnings.append(text)

    def gap(self, from_ns: int, to_ns: int, why: str) -> None:
        """Record that nothing between two times was recorded."""
        if len(self.gaps) < _MOST_GAPS:
            self.gaps.append(RecorderGap(from_ns=from_ns, to_ns=to_ns, channel=None, why=why))
