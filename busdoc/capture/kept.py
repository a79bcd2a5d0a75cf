"""Frames that were read once and are wanted a second time: kept in bounded room, so that nothing is parsed twice.

A small recording stays in memory. A longer one lies in a temporary file without a name, which is gone with the process
whatever ends it; some 25 bytes a frame, 1/20 of a compressed recording's parsing time to read back.
"""

import shutil
import tempfile
from collections.abc import Iterator
from typing import IO, Any

import numpy as np

from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads

__all__ = ["KeptFrames"]

_MOST_IN_MEMORY = 8 << 20
_MOST_BYTES = 8 << 30
_MOST_OF_FREE = 4
"""No more than this part of the room that is free where temporary files lie."""

_COLUMNS = ("t_ns", "channel", "id", "flags", "length", "data")
_LONG_COLUMNS = ("row", "start", "bytes")
_TYPES: dict[str, Any] = {
    **{name: getattr(FrameBlock.empty(), name).dtype for name in _COLUMNS},
    **{name: getattr(NO_LONG, name).dtype for name in _LONG_COLUMNS},
}


class KeptFrames:
    """Takes the blocks of one reading and gives them again.

    Parameters
    ----------
    most_in_memory, most_bytes : where a file is begun, and where keeping is given up
    """

    def __init__(self, *, most_in_memory: int = _MOST_IN_MEMORY, most_bytes: int = _MOST_BYTES) -> None:
        self._most_in_memory = most_in_memory
        self._most_bytes = most_bytes
        self._held: list[FrameBlock] = []
        self._file: IO[bytes] | None = None
        self._sizes: list[tuple[int, int, int]] = []
        """Of each block in the file: frames, long payloads, their bytes."""
        self._n_bytes = 0
        self.is_usable = True
        """Whether all that was added is still there; False: there was no room for it."""

    def add(self, block: FrameBlock) -> None:
        """Keep a block; one that there is no room for ends the keeping."""
        if not self.is_usable or not len(block):
            return
        self._n_bytes += sum(column.nbytes for column in _columns(block))
        if self._file is None and self._n_bytes <= self._most_in_memory:
            self._held.append(block)
            return
        try:
            if self._file is None:
                self._file = self._begun()
                for held in self._held:
                    self._write(self._file, held)
                self._held.clear()
            if self._n_bytes > self._most_bytes:
                self.forget()
                return
            self._write(self._file, block)
        except OSError:  # no room, or no folder for temporary files
            self.forget()

    def blocks(self) -> Iterator[FrameBlock]:
        """Yield what was added, in order; nothing may be added meanwhile."""
        yield from self._held
        if self._file is None:
            return
        self._file.seek(0)
        for n, n_long, n_long_bytes in self._sizes:
            columns = {name: self._read(self._file, name, (n, 8) if name == "data" else (n,)) for name in _COLUMNS}
            long = NO_LONG
            if n_long:
                lengths = (n_long, n_long + 1, n_long_bytes)
                parts = zip(_LONG_COLUMNS, lengths, strict=True)
                long = LongPayloads(**{name: self._read(self._file, name, (length,)) for name, length in parts})
            yield FrameBlock(**columns, long=long)

    def forget(self) -> None:
        """Give the room back."""
        self.is_usable = False
        self._held.clear()
        self._sizes.clear()
        if self._file is not None:
            self._file.close()
            self._file = None

    def _begun(self) -> IO[bytes]:
        free = shutil.disk_usage(tempfile.gettempdir()).free
        self._most_bytes = min(self._most_bytes, free // _MOST_OF_FREE)
        return tempfile.TemporaryFile(prefix="busdoc-", buffering=0)

    def _write(self, file: IO[bytes], block: FrameBlock) -> None:
        for column in _columns(block):
            rest = np.ascontiguousarray(column).data.cast("B")
            while len(rest):
                rest = rest[file.write(rest) :]
        self._sizes.append((len(block), len(block.long.row), len(block.long.bytes)))

    @staticmethod
    def _read(file: IO[bytes], name: str, shape: tuple[int, ...]) -> np.ndarray:
        column = np.empty(shape, _TYPES[name])
        room = column.data.cast("B")
        while len(room):
            n_read = file.readinto(room)  # type: ignore[attr-defined]  # every binary stream has it
            if not n_read:
                raise OSError(f"a temporary file of busdoc's ended {len(room)} bytes early")
            room = room[n_read:]
        return column


def _columns(block: FrameBlock) -> list[np.ndarray]:
    """Give all columns of a block; those of the long payloads only where there are some."""
    long = [getattr(block.long, name) for name in _LONG_COLUMNS] if len(block.long.row) else []
    return [*(getattr(block, name) for name in _COLUMNS), *long]
