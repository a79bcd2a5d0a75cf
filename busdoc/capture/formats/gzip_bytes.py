"""The inflated bytes of a .gz file, in order, as far as the file is whole.

A thread inflates ahead of the reader. It reports damage for a whole block at once, so where it does, what the block
held before the damage is inflated again by itself: a recorder that lost its power leaves just such a file.
"""

import io
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

__all__ = ["GzipBytes"]

_STEP_BYTES = 1 << 16
_BLOCK_BYTES = 1 << 20
_GZIP = 31  # zlib's word for a window of 32 KB within a gzip header


class GzipBytes(io.RawIOBase):
    """A binary stream over a .gz file; raises what is wrong with the file only after all that was good in it."""

    def __init__(self, path: Path) -> None:
        from isal import igzip_threaded  # 10 ms, and only compressed captures need it

        inflate: Callable[..., IO[bytes]] = igzip_threaded.open
        self._path = path
        self._file = inflate(path, "rb", threads=1, block_size=_BLOCK_BYTES)
        self._n_given = 0
        self._rest: Iterator[bytes] | None = None
        self._left = b""

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: "memoryview | bytearray") -> int:  # type: ignore[override]  # narrower than Buffer
        """Fill a buffer with what comes next; give how many bytes, 0 at the end.

        Raises
        ------
        EOFError, zlib.error, OSError : the damage, once everything before it was given
        """
        if self._rest is None:
            try:
                n_read = self._file.readinto(buffer)  # type: ignore[attr-defined]  # a buffered reader
            except (EOFError, zlib.error, OSError) as error:
                self._rest = _good_bytes(self._path, self._n_given, error)
            else:
                self._n_given += n_read
                return int(n_read)
        if not self._left:
            self._left = next(self._rest, b"")
        n_read = min(len(buffer), len(self._left))
        buffer[:n_read] = self._left[:n_read]
        self._left = self._left[n_read:]
        return n_read

    def close(self) -> None:
        """Let go of the file."""
        if not self.closed:
            self._file.close()
        super().close()


def _good_bytes(path: Path, n_known: int, error: Exception) -> Iterator[bytes]:
    """Inflate once more, by small steps, and give what lies between `n_known` bytes and the damage; then raise it."""
    n_inflated = 0
    with path.open("rb") as file:
        inflater = zlib.decompressobj(_GZIP)
        packed = file.read(_STEP_BYTES)
        while packed:
            try:
                piece = inflater.decompress(packed, _STEP_BYTES)
            except zlib.error:
                break
            n_inflated += len(piece)
            if n_inflated > n_known:
                yield piece[max(0, len(piece) - (n_inflated - n_known)) :]
            packed = inflater.unconsumed_tail
            if inflater.eof:  # another piece may follow
                packed = inflater.unused_data
                inflater = zlib.decompressobj(_GZIP)
            packed = packed or file.read(_STEP_BYTES)
    raise error
