"""What a recorder does in the background, so that no tick waits for a disk: writing through, closing, compressing.

A closed piece is compressed beside itself and only then takes its new name: at every instant either the plain piece or
the whole compressed one is there, and reading takes the plain one where both are.
"""

import contextlib
import os
import queue
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, BinaryIO

__all__ = ["Claim", "PieceKeeper", "compress_piece", "sync_folder"]

PART_SUFFIX = ".part"

_SYNC_EVERY_S = 0.5
"""So that a frame is on the disk within a second, however long the gathering and the writing through take."""
_CHUNK_BYTES = 1 << 20
_LEVEL = 2  # of isal's 0 to 3: 300 MB/s, and within a tenth of the size of the next


class Claim:
    """The right to create, rename and remove files of a place in the background.

    Whoever holds the lock changes names there, and nobody else does. A claim that was given up is never acted on again,
    however late its thread comes to it: the files are somebody else's by then.
    """

    def __init__(self, lock: "threading.Lock | None" = None) -> None:
        self._lock = lock or threading.Lock()
        self._is_given_up = False

    def give_up(self) -> None:
        """Change nothing any more, from the next time on that the lock is taken; waits for nothing."""
        self._is_given_up = True

    def require(self) -> None:
        """See that it was not given up.

        Raises
        ------
        OSError : it was
        """
        if self._is_given_up:
            raise OSError("the place is no longer recorded to")

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Hold the lock.

        Raises
        ------
        OSError : the claim was given up
        """
        with self._lock:
            self.require()
            yield


class PieceKeeper:
    """Writes the current piece through to the disk twice a second, and finishes closed ones.

    A thread for each: compressing a piece must not hold up the writing through of the next.

    Parameters
    ----------
    compress : whether closed pieces are compressed
    lock : is held while a file of the place gets or loses its name
    """

    def __init__(self, *, compress: bool, lock: "threading.Lock | None" = None) -> None:
        self._compress = compress
        self._claim = Claim(lock)
        self._lock = threading.Lock()
        self._current: BinaryIO | None = None
        self._closed: queue.SimpleQueue[tuple[BinaryIO | None, Path] | None] = queue.SimpleQueue()
        self._ended = threading.Event()
        self._threads = (
            threading.Thread(target=self._sync_on, name="write through", daemon=True),
            threading.Thread(target=self._finish_on, name="compress", daemon=True),
        )
        self._troubles = ["", ""]

    @property
    def trouble(self) -> str:
        """What the last write through, or the last compression, suffered from; empty when it went well."""
        return self._troubles[0] or self._troubles[1]

    def start(self) -> None:
        """Begin."""
        for thread in self._threads:
            thread.start()

    def use(self, file: BinaryIO | None) -> None:
        """Take the file that is written now."""
        with self._lock:
            self._current = file

    def finish(self, file: BinaryIO | None, path: Path) -> None:
        """Write a piece through, close it and compress it; `file` is None for one that is closed already."""
        with self._lock:
            if self._current is file:
                self._current = None
        self._closed.put((file, path))

    def stop(self, *, waits: bool = True) -> None:
        """Finish what there is, and end; without waiting, for a disk that is gone: then no file is changed any more."""
        if not waits:
            self._claim.give_up()
        self._closed.put(None)
        self._ended.set()
        for thread in self._threads if waits else ():
            thread.join()

    def _sync_on(self) -> None:
        while not self._ended.wait(_SYNC_EVERY_S):
            self._attempt(0, self._sync)
        self._attempt(0, self._sync)

    def _finish_on(self) -> None:
        while (piece := self._closed.get()) is not None:
            self._attempt(1, lambda piece=piece: self._finish(*piece))  # type: ignore[misc]  # bound at once

    def _attempt(self, n: int, work: Callable[[], None]) -> None:
        try:
            work()
        except OSError as error:
            self._troubles[n] = error.strerror or str(error)
        else:
            self._troubles[n] = ""

    def _sync(self) -> None:
        with self._lock:
            if self._current is None:
                return
            number = os.dup(self._current.fileno())  # so that nobody waits for the disk to have the lock
        try:
            os.fsync(number)
        finally:
            os.close(number)

    def _finish(self, file: BinaryIO | None, path: Path) -> None:
        if file is not None:
            try:
                os.fsync(file.fileno())
            finally:
                file.close()
        if self._compress and path.exists():
            compress_piece(path, self._claim)


def compress_piece(path: Path, claim: Claim | None = None) -> Path:
    """Compress a closed piece, and take the plain one away; give the new path.

    Raises
    ------
    OSError : no room, say, or the piece changed meanwhile, or the claim was given up; the plain piece stays
    """
    claim = claim or Claim()
    from isal import igzip  # ten times as fast as zlib for a tenth more bytes

    deflate: Callable[..., IO[bytes]] = igzip.open
    packed = path.with_name(path.name + ".gz")
    part = packed.with_name(packed.name + PART_SUFFIX)
    try:
        with contextlib.ExitStack() as files:
            with claim.held():
                plain = files.enter_context(path.open("rb"))
                raw = files.enter_context(part.open("wb"))
            with deflate(raw, "wb", compresslevel=_LEVEL) as target:
                while chunk := plain.read(_CHUNK_BYTES):
                    claim.require()
                    target.write(chunk)
            raw.flush()
            os.fsync(raw.fileno())
            n_bytes = plain.tell()
            written = os.fstat(raw.fileno()), os.fstat(plain.fileno())
        _take_name(claim, path, part, packed, *written, n_bytes)
    except BaseException:
        with contextlib.suppress(OSError), claim.held():  # given up: the next to record there tidies up
            part.unlink(missing_ok=True)
        raise
    return packed


def _take_name(
    claim: Claim,
    path: Path,
    part: Path,
    packed: Path,
    written: os.stat_result,
    read: os.stat_result,
    n_bytes: int,
) -> None:
    """Put the compressed piece in place of the plain one.

    Raises
    ------
    OSError : what was read, or written, is no longer what has its name: a disk came and went
    """
    with claim.held():
        found = path.stat()
        is_same = os.path.samestat(part.stat(), written) and os.path.samestat(found, read)
        if not is_same or found.st_size != n_bytes:
            raise OSError(f"{path.name} changed while it was compressed")
        part.replace(packed)
        sync_folder(path.parent)
        path.unlink()


def sync_folder(folder: Path) -> None:
    """See to it that new names in a folder are on the disk, where the operating system offers it."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(number)
    except OSError:  # some file systems refuse to
        pass
    finally:
        os.close(number)
