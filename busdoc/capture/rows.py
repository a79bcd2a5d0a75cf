"""Collects frames one by one into columns, for the readers that read them one by one."""

import numpy as np

from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.capture.reading import ReadBlock

__all__ = ["FrameRows"]

_ZEROS = bytes(8)


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

    def add(self, line: int, t_ns: int, channel: int, id_: int, flags: int, length: int, payload: bytes) -> None:
        """Add a frame; `length` may exceed the payload (the rest is zero), not the other way round."""
        n_bytes = len(payload)
        if n_bytes < 8:
            payload += _ZEROS[n_bytes:]
        elif n_bytes > 8:
            self._long_row.append(len(self._t_ns))
            self._long.append(payload.ljust(length, b"\0"))
            payload = payload[:8]
        self._line.append(line)
        self._t_ns.append(t_ns)
        self._channel.append(channel)
        self._id.append(id_)
        self._flags.append(flags)
        self._length.append(length)
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
