"""Collects frames one by one into columns, for the readers that read them one by one."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.capture.lines import numbered_lines
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["TOO_MANY_CHANNELS", "FrameLine", "FrameRows", "frames_of_lines", "judge_line"]

_ZEROS = bytes(8)


TOO_MANY_CHANNELS = "a channel beyond the 256th"

_BLOCK_ROWS = 1 << 16
_FEW_ROWS = 1 << 10
"""Where only the beginning of a file is looked at."""


@dataclass(frozen=True, slots=True)
class FrameLine:
    """A frame as one line, row or object of a file holds it."""

    t_ns: int
    channel: str
    id: int
    flags: int
    length: int
    payload: bytes


class FrameRows:
    """Frames in the order in which they were added; `take` gives them as a block and starts anew."""

    def __init__(self) -> None:
        self._line: list[int] = []
        self._t_ns: list[int] = []
        self._channel: list[int] = []
        self._id: list[int] = []
        self._flags: list[int] = []
        self._length: list[int] = []
        self._first8: list[bytes] = []
        self._long_row: list[int] = []
        self._long: list[bytes] = []

    def __len__(self) -> int:
        return len(self._t_ns)

    def add(self, line: int, channel: int, frame: "FrameLine") -> None:
        """Add a frame on a channel by the file's own number; a payload shorter than its length is filled with zeros."""
        payload = frame.payload
        n_bytes = len(payload)
        if n_bytes < 8 and frame.length <= 8:
            payload += _ZEROS[n_bytes:]
        elif n_bytes > 8 or frame.length > 8:
            payload = payload.ljust(frame.length, b"\0")
            self._long_row.append(len(self._t_ns))
            self._long.append(payload)
            payload = payload[:8]
        self._line.append(line)
        self._t_ns.append(frame.t_ns)
        self._channel.append(channel)
        self._id.append(frame.id)
        self._flags.append(frame.flags)
        self._length.append(frame.length)
        self._first8.append(payload)

    def take(self) -> ReadBlock:
        """Give what was added as a block, and forget it."""
        n = len(self._t_ns)
        long = NO_LONG
        if self._long:
            n_bytes = np.fromiter(map(len, self._long), np.int64, len(self._long))
            long = LongPayloads(
                row=np.array(self._long_row, np.int64),
                start=np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes))),
                bytes=np.frombuffer(b"".join(self._long), np.uint8),
            )
        block = ReadBlock(
            frames=FrameBlock(
                t_ns=np.array(self._t_ns, np.int64),
                channel=np.array(self._channel, np.uint8),
                id=np.array(self._id, np.uint32),
                flags=np.array(self._flags, np.uint16),
                length=np.array(self._length, np.uint8),
                data=np.frombuffer(b"".join(self._first8), np.uint8).reshape(n, 8),
                long=long,
            ),
            first_line=self._line[0] if n else 1,
            lines=np.array(self._line, np.int64),
        )
        self.__init__()  # type: ignore[misc]  # starting anew is what a new object does
        return block


def judge_line(
    reading: Reading, rows: FrameRows, line: int, text: bytes, parsed: FrameLine | str | None, *, last: bool
) -> None:
    """Add what a line holds, or count it with the reason; half a line at the end is normal, and only told."""
    if isinstance(parsed, FrameLine):
        channel = reading.channel(parsed.channel)
        if channel is None:
            reading.skip(line, TOO_MANY_CHANNELS)
        else:
            rows.add(line, channel, parsed)
    elif last and parsed is not None:
        reading.warn("it ends in the middle of a line, as after a power cut; all lines before it are used.")
    elif last and b"\0" in text:
        reading.warn("it ends in NUL bytes, as after a power cut; all lines before them are used.")
    elif parsed is not None:
        reading.skip(line, parsed)


def frames_of_lines(
    reading: Reading, parse: Callable[[str], FrameLine | str | None], chunk_bytes: int
) -> Iterator[ReadBlock]:
    """Yield the frames of a text whose lines `parse` understands.

    `parse` gives a line's frame, or why it is none, or None for a line that need not be one.
    """
    rows = FrameRows()
    block_rows = _BLOCK_ROWS if reading.chunk_bytes is None else _FEW_ROWS
    for line, content, last in numbered_lines(reading, chunk_bytes):
        text = content.strip(b"\0 \t\r\n").decode("utf-8", "replace")
        try:
            parsed = parse(text) if text else None
        except (ValueError, IndexError, OverflowError):  # a field that is no number, or not there
            parsed = "a field that is missing or no number"
        judge_line(reading, rows, line, content, parsed, last=last)
        if len(rows) >= block_rows:
            reading.n_frames += len(rows)
            yield rows.take()
    reading.n_frames += len(rows)
    yield rows.take()
