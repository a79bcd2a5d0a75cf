"""A recorded capture: one or more files, read as one stream of blocks in the order of time."""

from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, tzinfo
from pathlib import Path

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.files import size_bytes, suffix_of
from busdoc.capture.formats.find import find_captures, with_article
from busdoc.capture.formats.suffixes import READERS, read_in_order
from busdoc.capture.frames import FrameBlock
from busdoc.capture.kept import KeptFrames
from busdoc.capture.merge import FileStream, in_sequence, merged_by_time
from busdoc.capture.place import piece_of
from busdoc.capture.reading import LATEST_NS, MOST_BARREN_BYTES, Reading, RecorderGap, SkipCount, SkippedLine
from busdoc.capture.recorder.gaps import RecordedGap, read_gaps
from busdoc.capture.recorder.notes import read_remarks
from busdoc.errors import InputError
from busdoc.kernels.choice import repays
from busdoc.times import SECOND_NS, seconds
from busdoc.words.counting import counted

__all__ = ["STOPPED", "Capture", "RecorderGap", "SkipCount", "SkippedLine", "open_capture"]

STOPPED = "reading was stopped after"
"""How the warning begins that a part of the capture was left unread."""

BLOCK_FRAMES = 1 << 18

_PEEK_BYTES = 1 << 16

_EPOCH_FROM_NS = 100_000_000 * SECOND_NS
"""Times from 1973 on are Unix times; smaller ones count from the recorder's own zero."""


def open_capture(
    paths: Sequence[Path],
    *,
    block_frames: int = BLOCK_FRAMES,
    wall_clock: tzinfo = UTC,
    compiled: bool | None = None,
    chunk_bytes: int | None = None,
) -> "Capture":
    """Open one or more capture files as one capture.

    Parameters
    ----------
    paths : files, or folders that stand for all captures in them
    block_frames : the most frames in a block
    wall_clock : the zone of captures that hold the recorder's wall-clock time without one (.asc, .blf, .trc)
    compiled : whether a compiled parser is used where the kind has one; None chooses by size
    chunk_bytes : how much of a text is parsed at a time; None leaves it to the reader

    Raises
    ------
    InputError : a file that is missing, empty, of a suffix that is not read, or of another kind than its suffix says
    """
    files = find_captures(paths)
    share, kernels = _share_of_large(files)
    large = compiled is True  # who asks for the compiled parser has it for all that goes over the frames
    if compiled is None:
        compiled = bool(kernels) and all(repays(share, kernel) for kernel in kernels)
        large = compiled and share >= 1
    return Capture(
        files,
        block_frames=max(1, block_frames),
        wall_clock=wall_clock,
        compiled=compiled,
        large=large,
        chunk_bytes=chunk_bytes,
    )


class Capture:
    """A recorded capture; `blocks` reads it, the other attributes fill while it does.

    Attributes
    ----------
    files : what is read, in the order given
    channels : the channels met so far
    skipped : the lines left out so far
    compiled : whether it is read by a compiled parser
    large : whether it is large enough to pay for compiling whatever else goes over all frames
    """

    def __init__(
        self,
        files: Sequence[Path],
        *,
        block_frames: int,
        wall_clock: tzinfo,
        compiled: bool,
        chunk_bytes: int | None,
        large: bool = False,
    ) -> None:
        self.files = tuple(files)
        self.channels = ChannelTable()
        self.skipped = SkipCount()
        self._block_frames = block_frames
        self._wall_clock = wall_clock
        self.compiled = compiled
        self.large = large
        self._chunk_bytes = chunk_bytes
        self._readings: list[Reading] = []
        self._seam_warnings: list[str] = []
        self._gaps: list[RecorderGap] = []
        self._recorded_gaps: tuple[RecordedGap, ...] = ()
        self._sizes: list[int] | None = None
        self._span_ns: tuple[int, int] | None = None
        """From the first frame to the last, as far as it was read."""
        self._first_ns: list[int | None] | None = None
        self._most_frames: int | None = None
        """Where reading was stopped; None: it goes to the end."""
        self._n_frames = 0
        self._keeps = False
        self._kept: KeptFrames | None = None
        """What was read so far."""
        self._is_read = False
        """Whether all was read that is to be."""

    def keep_frames(self) -> None:
        """Have the frames of the next reading kept, for `second_look`, until `forget_frames`."""
        self._keeps = True

    def forget_frames(self) -> None:
        """Give back the room that kept frames take."""
        if self._kept is not None:
            self._kept.forget()

    def can_look_again(self) -> bool:
        """Whether `second_look` has something to look at: the frames, or files that are still there."""
        return self._has_all() or all(file.is_file() for file in self.files)

    def second_look(self) -> Iterator[FrameBlock]:
        """Yield the frames that were read, once more, and leave what the first reading counted alone.

        Raises
        ------
        InputError : the files have to be read again, and cannot
        """
        kept = self._kept
        return kept.blocks() if kept is not None and self._has_all() else self.again().blocks()

    def _has_all(self) -> bool:
        return self._kept is not None and self._kept.is_usable and self._is_read

    def stop(self) -> None:
        """Leave what was not read yet unread, now and when the capture is read again; `warnings` says so."""
        self._most_frames = self._n_frames

    @property
    def share_read(self) -> float | None:
        """How much of the files was read so far, from 0 to 1; None where that is not known."""
        if any(READERS[suffix_of(file)].by_itself for file in self.files):
            return None
        if self._sizes is None:
            self._sizes = [max(size_bytes(file), 1) for file in self.files]
        n_read = sum(min(one.n_bytes, size) for one, size in zip(self._readings, self._sizes, strict=False))
        return n_read / sum(self._sizes)

    def again(self) -> "Capture":
        """Give the same capture unread, so that a second reading leaves what the first one counted alone."""
        again = Capture(
            self.files,
            block_frames=self._block_frames,
            wall_clock=self._wall_clock,
            compiled=self.compiled,
            large=self.large,
            chunk_bytes=self._chunk_bytes,
        )
        again._most_frames = self._most_frames
        return again

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was odd so far: clocks set, files that overlap or break off, zones that are not known."""
        names_of: dict[str, list[str]] = {}
        for reading in self._readings:
            for text in reading.warnings:
                names_of.setdefault(text, []).append(reading.file.name)
        own = tuple(
            f"{names[0]}{f' and {len(names) - 1} more' if len(names) > 1 else ''}: {text}"
            for text, names in names_of.items()
        )
        return own + tuple(self._seam_warnings) + self._where_stopped() + _remarks(self.files)

    @property
    def gaps(self) -> tuple[RecorderGap, ...]:
        """What was not recorded, as far as it was read, by time."""
        gaps = [*self._gaps, *(gap for reading in self._readings for gap in reading.gaps), *self._written_down()]
        return tuple(sorted(gaps, key=lambda gap: (gap.from_ns, gap.to_ns)))

    @property
    def epoch(self) -> bool:
        """Whether times are Unix times; else they count from the capture's own zero."""
        if len(self.files) == 1 and self._span_ns is not None:  # read already: it need not be opened once more
            return self._span_ns[0] >= _EPOCH_FROM_NS
        return all(first_ns is None or first_ns >= _EPOCH_FROM_NS for first_ns in self._peek())

    def blocks(self) -> Generator[FrameBlock, None, None]:
        """Yield the frames in the order of time; may be called again, which reads and counts anew.

        Raises
        ------
        InputError : when there is no frame, or a file turns out to be of another kind
        """
        self.channels.clear()  # the same table: whoever follows the capture holds on to it
        self.skipped = SkipCount()
        self._seam_warnings, self._gaps = [], []
        self._readings = [self._reading(file, self.skipped) for file in self.files]
        self._recorded_gaps, self._span_ns = _recorded_gaps(self.files), None
        self._n_frames = 0
        self.forget_frames()
        self._kept, self._is_read = KeptFrames() if self._keeps else None, False
        with closing(self._stream()) as stream:
            for block in stream:
                for first in range(0, max(len(block), 1), self._block_frames):
                    most = len(block) if self._most_frames is None else first + self._most_frames - self._n_frames
                    piece = block.slice(first, min(first + self._block_frames, len(block), most))
                    self._n_frames += len(piece)
                    if len(piece):
                        first_ns = int(piece.t_ns[0]) if self._span_ns is None else self._span_ns[0]
                        self._span_ns = first_ns, int(piece.t_ns[-1])
                        if self._kept is not None:
                            self._kept.add(piece)
                    yield piece
                    if self._n_frames == self._most_frames:
                        self._is_read = True
                        return
        self._is_read = True
        if not self._n_frames:
            raise self._nothing_found()
        for reading in self._readings:
            if not reading.n_frames:
                reading.warn("it holds not one frame.")

    def _where_stopped(self) -> tuple[str, ...]:
        if self._most_frames is None or self._span_ns is None:
            return ()
        after_s = seconds(self._span_ns[1] - self._span_ns[0])
        how_many = counted(self._most_frames, "frame")
        return (f"{STOPPED} {how_many}, {after_s:,.0f} s into the recording; what follows is unread.",)

    def _written_down(self) -> list[RecorderGap]:
        """Give the gaps that the recorder wrote down, as far as they lie between the frames that were read."""
        if self._span_ns is None:
            return []
        first_ns, last_ns = self._span_ns
        near = (gap for gap in self._recorded_gaps if gap.from_ns < last_ns and gap.to_ns > first_ns)
        within = (replace(gap, to_ns=last_ns) if gap.to_ns == LATEST_NS else gap for gap in near)  # it broke off in it
        return [gap for gap in (one.numbered(self.channels) for one in within) if gap is not None]

    def _reading(self, file: Path, skipped: SkipCount | None = None) -> Reading:
        return Reading(
            file,
            skipped=skipped,
            wall_clock=self._wall_clock,
            chunk_bytes=self._chunk_bytes,
            compiled=self.compiled,
        )

    def _stream(self) -> Generator[FrameBlock, None, None]:
        if len(self.files) == 1:
            first_times: list[int | None] = [0]
        else:
            first_times = self._peek()
        streams = [
            FileStream(reading=reading, blocks=read_in_order(reading), first_ns=first_ns)
            for reading, first_ns in zip(self._readings, first_times, strict=True)
            if first_ns is not None
        ]
        if len(streams) == 1 or not self.epoch:
            return in_sequence(streams, self.channels, self._gaps)
        return merged_by_time(streams, self.channels, self._gaps, self._seam_warnings)

    def _peek(self) -> list[int | None]:
        """Find the time of each file's first frame; None for a file without one."""
        if self._first_ns is None:
            self._first_ns = [self._peek_at(file) for file in self.files]
        return self._first_ns

    def _peek_at(self, file: Path) -> int | None:
        reading = Reading(file, wall_clock=self._wall_clock, chunk_bytes=_PEEK_BYTES, compiled=False)
        try:
            with closing(read_in_order(reading)) as blocks:
                block = next(blocks, None)
        except InputError:
            if len(self.files) == 1:
                raise
            return None
        return None if block is None else int(block.t_ns[0])

    def _nothing_found(self) -> InputError:
        where = str(self.files[0]) if len(self.files) == 1 else f"the {len(self.files)} files"
        suffix = suffix_of(self.files[0])
        found = "not one frame"
        if self._readings[0].gave_up:
            found = f"{MOST_BARREN_BYTES >> 20} MB without one frame"
        elif self.skipped.first:
            first = self.skipped.first[0]
            found += f" in {counted(self.skipped.total, 'line')} (line {first.line}: {first.reason})"
        return InputError(where, f"{with_article(suffix)} capture", found, "Check that this is the right file.")


def _share_of_large(files: Sequence[Path]) -> tuple[float, set[str]]:
    """Give the files' size as a share of what makes compiled parsers worth compiling, and the modules of these."""
    share, kernels = 0.0, set[str]()
    for file in files:
        reader = READERS[suffix_of(file)]
        if reader.compiled_from_mb is not None:
            share += size_bytes(file) / (reader.compiled_from_mb << 20)
            kernels.add(reader.kernel)
    return share, kernels


def _recorded_gaps(files: Sequence[Path]) -> tuple[RecordedGap, ...]:
    """Read the gap file of every recording that a file is a piece of."""
    pieces = (piece_of(file) for file in files)
    gap_files = dict.fromkeys(piece.gap_file for piece in pieces if piece is not None)
    return tuple(gap for gap_file in gap_files for gap in read_gaps(gap_file))


def _remarks(files: Sequence[Path]) -> tuple[str, ...]:
    """Read what was noted of how the recordings that files are pieces of were made."""
    pieces = (piece_of(file) for file in files)
    note_files = dict.fromkeys(piece.notes_file for piece in pieces if piece is not None)
    return tuple(text for note_file in note_files for text in read_remarks(note_file))
