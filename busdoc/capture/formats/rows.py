"""Collects frames one by one into columns, for the readers that read them one by one."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["TIME_OUT_OF_RANGE", "TOO_MANY_CHANNELS", "FrameLine", "FrameRows", "judge_line"]


TOO_MANY_CHANNELS = "a channel beyond the 256th"
TIME_OUT_OF_RANGE = "a time out of range"


class FrameLine(NamedTuple):
    """A frame as one line, row or object of a file holds it: a tuple, since there is one for each frame."""

    t_ns: int
    channel: str
    id: int
    flags: int
    length: int
    payload: bytes


class FrameRows:
    """Frames in the order in which they were added; `take` gives them as a block and starts anew."""

    def __init__(self) -> None:
        self._lines: list[int] = []
        self._channels: list[int] = []
        self._frames: list[FrameLine] = []

    def __len__(self) -> int:
        return len(self._frames)

    def add(self, line: int, channel: int, frame: FrameLine) -> None:
        """Add a frame on a channel by the file's own number; a payload shorter than its length is filled with zeros."""
        self._lines.append(line)
        self._channels.append(channel)
        self._frames.append(frame)

    def take(self) -> ReadBlock:
        """Give what was added as a block, and forget it."""
        n = len(self._frames)
        t_ns, _, id_, flags, length, payload = zip(*self._frames, strict=True) if n else ((),) * 6
        data = b"".join([whole[:8].ljust(8, b"\0") for whole in payload])
        block = ReadBlock(
            frames=FrameBlock(
                t_ns=np.array(t_ns, np.int64),
                channel=np.array(self._channels, np.uint8),
                id=np.array(id_, np.uint32),
                flags=np.array(flags, np.uint16),
                length=np.array(length, np.uint8),
                data=np.frombuffer(data, np.uint8).reshape(n, 8),
                long=_long_payloads(self._frames) if n and max(length) > 8 else NO_LONG,
            ),
            first_line=self._lines[0] if n else 1,
            lines=np.array(self._lines, np.int64),
        )
        self._lines, self._channels, self._frames = [], [], []
        return block


def _long_payloads(frames: Sequence[FrameLine]) -> LongPayloads:
    long = [(row, frame.payload.ljust(frame.length, b"\0")) for row, frame in enumerate(frames) if frame.length > 8]
    n_bytes = np.array([len(whole) for _, whole in long], np.int64)
    return LongPayloads(
        row=np.array([row for row, _ in long], np.int64),
        start=np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes))),
        bytes=np.frombuffer(b"".join([whole for _, whole in long]), np.uint8),
    )


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
