"""Several files as one stream: merged where they overlap, one after the other where they do not.

Two recorders on one machine write files that overlap; one recorder that starts a new file now and then writes files
that follow each other. Only the files that are needed at a time are open, and of each only a block or two is held.
"""

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import Reading, RecorderGap
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["FileStream", "in_sequence", "merged_by_time"]

_TOUCHING_NS = 20 * MILLISECOND_NS
"""Files closer than this follow each other without a gap: about two periods of the fastest common streams."""

_APART_NS = SECOND_NS
"""How far apart files are laid whose true distance nobody knows."""

_MOST_HELD = 1 << 21
_FOREVER_NS = int(np.iinfo(np.int64).max)


@dataclass(slots=True, kw_only=True, eq=False)
class FileStream:
    """One file's frames in the order of time, and what is known of it so far."""

    reading: Reading
    blocks: Iterator[FrameBlock]
    first_ns: int
    """The time of its first frame, known beforehand."""
    buffer: FrameBlock = field(default_factory=FrameBlock.empty)
    """Read but not given out yet."""
    read_to_ns: int = 0
    """The time of the last frame read."""
    done: bool = False
    channels: set[int] = field(default_factory=set)
    """The capture's numbers of the channels met so far."""
    number_of: Int64Array = field(default_factory=lambda: np.full(256, -1, np.int64))
    """The capture's number of each of the file's channels; -1 where it was not met."""

    def fill(self) -> None:
        """Read the next block behind what is buffered, or note the end of the file."""
        block = next(self.blocks, None)
        if block is None:
            self.done = True
            return
        self.read_to_ns = int(block.t_ns[-1])
        self.buffer = FrameBlock.concat([self.buffer, block])

    def take_before(self, before_ns: int) -> FrameBlock:
        """Take the frames earlier than `before_ns` off the buffer."""
        buffer = self.buffer
        n_rows = len(buffer)
        if before_ns <= self.read_to_ns:
            n_rows = int(np.searchsorted(buffer.t_ns, before_ns, side="left"))
        self.buffer = buffer.slice(n_rows, len(buffer)) if n_rows < len(buffer) else FrameBlock.empty()
        return buffer.slice(0, n_rows) if n_rows < len(buffer) else buffer

    def shifted(self, by_ns: int) -> Iterator[FrameBlock]:
        """Give the rest of the file, `by_ns` later than it says."""
        for block in self.blocks:
            yield replace(block, t_ns=block.t_ns + by_ns) if by_ns else block


def merged_by_time(
    streams: Sequence[FileStream], table: ChannelTable, gaps: list[RecorderGap], warnings: list[str]
) -> Generator[FrameBlock, None, None]:
    """Merge files on one clock; frames at the same time keep the order of the files as they were given."""
    waiting = sorted(streams, key=lambda stream: stream.first_ns)
    active: list[FileStream] = []
    ended: list[FileStream] = []
    while active or waiting:
        # open each file that may begin before the earliest frame held
        while waiting and (not active or waiting[0].first_ns <= min(_held_from(stream) for stream in active)):
            stream = waiting.pop(0)
            stream.fill()
            if stream.done:
                continue
            _note_seam(stream, active, ended, table, gaps, warnings)
            active.append(stream)
            active.sort(key=streams.index)
        # up to here nothing earlier can still come: not from a file that is open, nor from the next one
        next_ns = waiting[0].first_ns if waiting else _FOREVER_NS
        before_ns = min([next_ns, *(_FOREVER_NS if stream.done else stream.read_to_ns for stream in active)])
        if len(active) == 1 and before_ns == active[0].read_to_ns < next_ns:
            before_ns += 1  # nobody else can have a frame at that time
        # take that much of each and sort it; equal times stay in the order of the files
        pieces = [stream.take_before(before_ns) for stream in active]
        merged = _merge(active, pieces, table)
        if len(merged):
            yield merged
        # read on where nothing is left, or, when nothing could be given, in whoever kept the others waiting
        for stream in active:
            if not stream.done and (not len(stream.buffer) or (not len(merged) and stream.read_to_ns <= before_ns)):
                stream.fill()
        if sum(len(stream.buffer) for stream in active) > _MOST_HELD:  # one time for all frames: no order to keep
            pieces = [stream.take_before(before_ns + 1) for stream in active]
            yield _merge(active, pieces, table)
        # let go of the files that are read and given out
        ended.extend(stream for stream in active if stream.done and not len(stream.buffer))
        active = [stream for stream in active if not stream.done or len(stream.buffer)]


def in_sequence(
    streams: Sequence[FileStream], table: ChannelTable, gaps: list[RecorderGap]
) -> Generator[FrameBlock, None, None]:
    """Lay files one after the other whose times count from their own start, or from the start of the first of them."""
    shift_ns, end_ns = 0, -_FOREVER_NS
    before: FileStream | None = None
    held = FrameBlock.empty()
    for stream, after in zip(streams, [*streams[1:], None], strict=True):
        start_ns = stream.first_ns
        # a file that says it begins before the one before it ended is laid behind it; the pause is not known
        if before is not None and not _is_next_piece(stream, before, end_ns - shift_ns, shifted=shift_ns != 0):
            shift_ns = 0
            if start_ns <= end_ns:
                shift_ns = end_ns + _APART_NS - start_ns
                stream.reading.warn(
                    "times count from the file's own start; it is laid behind the file before it, and how long the"
                    " pause really was is not known."
                )
        if before is not None and start_ns + shift_ns - end_ns > _TOUCHING_NS and not _goes_on(stream, before):
            gaps.append(RecorderGap(from_ns=end_ns, to_ns=start_ns + shift_ns, channel=None, why="between two files"))
        # its frames, and the gaps that come to light while they are read, on the shifted clock
        until_ns = None if after is None or not _begins_later(after, stream) else after.first_ns + shift_ns
        for block in stream.shifted(shift_ns):
            end_ns = max(end_ns, int(block.t_ns[-1]))
            gaps.extend(
                replace(gap, from_ns=gap.from_ns + shift_ns, to_ns=gap.to_ns + shift_ns) for gap in stream.reading.gaps
            )
            stream.reading.gaps.clear()
            numbered = _merge([stream], [block], table)
            if until_ns is None and not len(held):
                yield numbered
                continue
            # the next file may begin with frames from before the last ones of this: buses are written in turns
            numbered = FrameBlock.concat([held, numbered])
            numbered = numbered.take(np.argsort(numbered.t_ns, kind="stable"))
            last_ns = int(block.t_ns[-1])
            if until_ns is not None and last_ns - until_ns > _TOUCHING_NS:
                until_ns = None  # it goes on beside this one, not after it
            ready_to_ns = last_ns + 1 if until_ns is None else min(last_ns + 1, until_ns)
            n_ready = int(np.searchsorted(numbered.t_ns, ready_to_ns))
            held = numbered.slice(n_ready, len(numbered))
            if n_ready:
                yield numbered.slice(0, n_ready)
        if len(held) and until_ns is None:
            yield held
            held = FrameBlock.empty()
        before = stream


def _begins_later(stream: FileStream, other: FileStream) -> bool:
    return stream.first_ns - other.first_ns >= _APART_NS


def _is_next_piece(stream: FileStream, before: FileStream, ended_ns: int, *, shifted: bool) -> bool:
    """Whether a file goes on where the one before it ended, on the same clock.

    Parameters
    ----------
    ended_ns : the last time of the one before it, as it says
    shifted : whether that one's clock is another than the first file's: then a long pause is as likely a start anew
    """
    pause_ns = stream.first_ns - ended_ns
    if pause_ns <= 0:
        return pause_ns >= -_TOUCHING_NS and _begins_later(stream, before)
    return not shifted or pause_ns <= _APART_NS


def _goes_on(stream: FileStream, other: FileStream | None) -> bool:
    """Whether a file is the next piece of a recording whose gaps are written down elsewhere."""
    return stream.reading.piece is not None and other is not None and stream.reading.piece.follows(other.reading.piece)


def _held_from(stream: FileStream) -> int:
    return int(stream.buffer.t_ns[0]) if len(stream.buffer) else stream.read_to_ns


def _note_seam(
    stream: FileStream,
    active: Sequence[FileStream],
    ended: Sequence[FileStream],
    table: ChannelTable,
    gaps: list[RecorderGap],
    warnings: list[str],
) -> None:
    """Note how a file that begins joins those before it."""
    _number_channels([stream], [stream.buffer], table)
    # nothing else is open: the whole recording rested, unless it goes on in the next piece
    if not active:
        if ended:
            last = max(ended, key=lambda other: other.read_to_ns)
            last_ns = last.read_to_ns
            if stream.first_ns - last_ns > _TOUCHING_NS and not _goes_on(stream, last):
                gaps.append(RecorderGap(from_ns=last_ns, to_ns=stream.first_ns, channel=None, why="between two files"))
        return
    # else each channel is asked: who has it at the same time, and when it was heard last
    for channel in sorted(stream.channels):
        doubled = [other for other in active if channel in other.channels]
        if doubled:
            warnings.append(
                f"{stream.reading.file.name}: it overlaps {doubled[0].reading.file.name} in time on the same channel"
                f" ({table.name(channel)}); frames that stand in both count twice."
            )
            break
        before = [other.read_to_ns for other in ended if channel in other.channels]
        goes_on = any(_goes_on(stream, other) for other in ended)
        if before and stream.first_ns - max(before) > _TOUCHING_NS and not goes_on:
            gaps.append(
                RecorderGap(from_ns=max(before), to_ns=stream.first_ns, channel=channel, why="between two files")
            )


def _number_channels(streams: Sequence[FileStream], pieces: Sequence[FrameBlock], table: ChannelTable) -> None:
    """Number the channels that are met for the first time, in the order in which the merged frames show them."""
    met: list[tuple[int, int, int, int]] = []
    for at, (stream, piece) in enumerate(zip(streams, pieces, strict=True)):
        unknown = np.flatnonzero(stream.number_of[piece.channel] < 0)
        if len(unknown):
            own, first = np.unique(piece.channel[unknown], return_index=True)
            rows = unknown[first]
            met.extend(
                (int(piece.t_ns[row]), at, int(row), int(channel)) for row, channel in zip(rows, own, strict=True)
            )
    for _, at, _, channel in sorted(met):
        stream = streams[at]
        number = table.number(stream.reading.channel_names[channel])
        stream.number_of[channel] = number
        stream.channels.add(number)


def _merge(streams: Sequence[FileStream], pieces: Sequence[FrameBlock], table: ChannelTable) -> FrameBlock:
    _number_channels(streams, pieces, table)
    numbered = [
        replace(piece, channel=stream.number_of[piece.channel].astype(np.uint8))
        for stream, piece in zip(streams, pieces, strict=True)
        if len(piece)
    ]
    merged = FrameBlock.concat(numbered)
    if len(numbered) > 1:
        merged = merged.take(np.argsort(merged.t_ns, kind="stable"))
    return merged
