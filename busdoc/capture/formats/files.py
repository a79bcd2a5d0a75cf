"""Capture files on disk: the suffix of a name, and a stream of the bytes, which are inflated while they are read."""

import io
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, cast

__all__ = ["RECORDING", "first_bytes", "is_gzip", "is_packed", "name_unpacked", "open_bytes", "size_bytes", "suffix_of"]

_PACKED_GROWTH = 6
"""A capture's text shrinks by about this much in .gz or .zst (common practice: 5 to 8)."""
_ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"
"""RFC 8878, section 3.1.1."""

_STEP_BYTES = 1 << 16
_BLOCK_BYTES = 1 << 20
_GZIP = 31  # zlib's word for a window of 32 KB within a gzip header
_SNIFF_BYTES = 4096
RECORDING = "recording"
"""The folder in that of a session that holds what was heard."""


def suffix_of(path: Path) -> str:
    """Give the suffix that says the kind, without .gz or .zst; empty when the name has none.

    >>> suffix_of(Path("a.b.LOG.gz")), suffix_of(Path("a.blf.zst")), suffix_of(Path("notes"))
    ('.log', '.blf', '')
    """
    return Path(name_unpacked(path.name.lower())).suffix


def name_unpacked(name: str) -> str:
    """Give a file's name without the suffix that says how it is packed."""
    return name.removesuffix(".gz").removesuffix(".zst")


def first_bytes(path: Path) -> bytes:
    """Give the first few thousand bytes, inflated; fewer when the file is damaged."""
    with open_bytes(path) as file:
        try:
            return file.read(_SNIFF_BYTES)
        except (EOFError, OSError):
            return b""


def size_bytes(path: Path) -> int:
    """Estimate how many bytes a capture has once inflated."""
    path = _as_it_lies_now(path)
    n_bytes = path.stat().st_size
    return n_bytes * _PACKED_GROWTH if is_packed(path) else n_bytes


def open_bytes(path: Path) -> IO[bytes]:
    """Open a capture for reading bytes in order; .gz is inflated by a thread beside the reading one."""
    path = _as_it_lies_now(path)
    if is_gzip(path):
        return cast(IO[bytes], _GzipBytes(path))
    if is_packed(path):
        return cast(IO[bytes], _ZstdBytes(path))
    return path.open("rb", buffering=0)


def _as_it_lies_now(path: Path) -> Path:
    """Follow a piece of a running recording that was compressed since it was listed."""
    packed = path.with_name(path.name + ".gz")
    return packed if not path.exists() and packed.exists() else path


def is_gzip(path: Path) -> bool:
    """Whether the content is gzip, whatever the name says: recorders and mail programs strip or add the suffix."""
    path = _as_it_lies_now(path)
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


def is_packed(path: Path) -> bool:
    """Whether the content is gzip or Zstandard, whatever the name says."""
    with _as_it_lies_now(path).open("rb") as file:
        start = file.read(4)
    return start.startswith(b"\x1f\x8b") or start == _ZSTD_MAGIC


class _ZstdBytes(io.RawIOBase):
    """The unpacked bytes of a .zst file, in order; an `EOFError` where it is cut off, an `OSError` where damaged."""

    def __init__(self, path: Path) -> None:
        if sys.version_info >= (3, 14):
            from compression import zstd
        else:
            from backports import zstd
        self._damage: type[Exception] = zstd.ZstdError
        self._file = zstd.open(path, "rb")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: "memoryview | bytearray") -> int:  # type: ignore[override]  # narrower than Buffer
        try:
            piece = self._file.read1(min(len(buffer), _STEP_BYTES))  # a large read would lose what stands before damage
        except self._damage as error:
            raise OSError(str(error)) from error
        buffer[: len(piece)] = piece
        return len(piece)

    def close(self) -> None:
        if not self.closed:
            self._file.close()
        super().close()


class _GzipBytes(io.RawIOBase):
    """The inflated bytes of a .gz file, in order, as far as the file is whole; then it raises what is wrong with it.

    That is an `EOFError` where the file is cut off, an `OSError` where it is damaged.

    A thread inflates ahead of the reader. It reports damage for a whole block at once, so where it does, what the block
    held before the damage is inflated again by itself: a recorder that lost its power leaves just such a file.
    """

    def __init__(self, path: Path) -> None:
        from isal import igzip_threaded  # 10 ms, and only compressed captures need it

        inflate: Callable[..., IO[bytes]] = igzip_threaded.open
        self._path = path
        self._file = inflate(path, "rb", threads=1, block_size=_BLOCK_BYTES)
        self._n_given = 0
        self._rest: Iterator[bytes] | None = None
        self._left = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: "memoryview | bytearray") -> int:  # type: ignore[override]  # narrower than Buffer
        if self._rest is None:
            try:
                n_read = self._file.readinto(buffer)  # type: ignore[attr-defined]  # a buffered reader
            except EOFError as error:
                self._rest = _good_bytes(self._path, self._n_given, error)
            except Exception as error:  # the inflater's own, zlib's, or what the disk says
                damage = error if isinstance(error, OSError) else OSError(str(error))
                self._rest = _good_bytes(self._path, self._n_given, damage)
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
