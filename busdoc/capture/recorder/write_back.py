"""Makes one place of a recording equal to another, piece by piece, while the other is being recorded to.

Both held the same text until one of them went away. A plain piece is compared from its beginning and made the same from
where it differs; what was compressed in the meantime is copied whole and takes its name only then.
"""

import errno
import os
from pathlib import Path

from busdoc.capture.formats.files import open_bytes
from busdoc.capture.place import RecordingPlace
from busdoc.capture.recorder.keeper import PART_SUFFIX
from busdoc.capture.recorder.resume import last_line, last_time
from busdoc.errors import InputError

__all__ = ["WriteBack", "even_out", "last_frame_ns"]

_STEP_BYTES = 4 << 20
"""Copied at once: no longer than a recorder may be kept from its work."""
_CHUNK_BYTES = 1 << 20
_COMPARED_BYTES = 1 << 12


class WriteBack:
    """Copies what a place lacks, a few megabytes at a time.

    A piece and its compressed twin are one piece: the target's old one goes only when the new one is whole.

    Parameters
    ----------
    source : is whole, and may grow between two steps; no name changes there during one
    target : is not recorded to, and nobody else changes anything there
    """

    def __init__(self, source: RecordingPlace, target: RecordingPlace) -> None:
        self._source = source
        self._target = target
        self._compared: dict[int, tuple[tuple[int, int], int]] = {}
        """Up to where a plain piece of the target is known to be that of the source, and which file that was."""

    def step(self, most_bytes: int = _STEP_BYTES) -> bool:
        """Copy on; give whether both are equal now.

        Raises
        ------
        OSError : one of them cannot be read or written
        """
        left = most_bytes
        pieces = self._source.pieces()
        for number, source in pieces.items():
            left -= self._restore(number, source, left)
            if left <= 0:
                return False
        last_ns = last_frame_ns(self._source)
        for number, path in self._target.pieces().items():
            t_ns = last_time(path) if number > max(pieces, default=0) else None
            if t_ns is not None and last_ns is not None and t_ns <= last_ns:  # the same frames, cut in another way
                path.unlink()
        for source, target in (
            (self._source.gap_file, self._target.gap_file),
            (self._source.notes_file, self._target.notes_file),
        ):
            if source.exists():
                _in_place_of(target, source.read_bytes())
        _add_marks(self._source.marks_file, self._target.marks_file)
        return True

    def _restore(self, number: int, source: Path, most_bytes: int) -> int:
        """Make a piece of the target as it is in the source; give how many bytes were compared or copied for it."""
        plain = self._target.piece(number)
        packed = plain.with_name(plain.name + ".gz")
        if source.suffix == ".gz":
            n_bytes = 0 if _is_same_packed(source, packed) else _whole(source, packed)
            plain.unlink(missing_ok=True)
            return n_bytes
        if self._target.file is not None or not packed.exists():
            return self._grow(number, source, plain, most_bytes)
        # compressed there, and gone on with here
        part = plain.with_name(plain.name + PART_SUFFIX)
        n_bytes = self._grow(number, source, part, most_bytes)
        if self._compared[number][1] == part.stat().st_size == source.stat().st_size:
            os.replace(part, plain)
            packed.unlink()
        return n_bytes

    def _grow(self, number: int, source: Path, target: Path, most_bytes: int) -> int:
        """Make plain text as it is in the source, from where it is known to be so."""
        target.touch()
        n_bytes, is_changed = 0, False
        with source.open("rb") as read, target.open("r+b", buffering=0) as written:
            found = os.fstat(written.fileno())
            file = (found.st_dev, found.st_ino)
            known, at = self._compared.get(number, (file, 0))
            if known != file or at > found.st_size:  # another disk in its place
                at = 0
            read.seek(at)
            while n_bytes < most_bytes and (chunk := read.read(min(_CHUNK_BYTES, most_bytes - n_bytes))):
                written.seek(at)
                if written.read(len(chunk)) != chunk:
                    written.seek(at)
                    if written.write(chunk) != len(chunk):
                        raise OSError(errno.ENOSPC, "only a part of it could be written")
                    is_changed = True
                at += len(chunk)
                n_bytes += len(chunk)
            if n_bytes < most_bytes and at < written.seek(0, os.SEEK_END):  # half a line, or what a power cut leaves
                written.truncate(at)
                is_changed = True
            if is_changed:
                os.fsync(written.fileno())
        self._compared[number] = (file, at)
        return n_bytes


def _is_same_packed(source: Path, target: Path) -> bool:
    """Whether two gzip files are of one length and end alike: the end holds the check sum of the text (RFC 1952)."""
    if not target.exists() or source.stat().st_size != target.stat().st_size:
        return False
    with source.open("rb") as one, target.open("rb") as other:
        for file in (one, other):
            file.seek(max(0, source.stat().st_size - _COMPARED_BYTES))
        return one.read() == other.read()


def _whole(source: Path, target: Path) -> int:
    content = source.read_bytes()
    _in_place_of(target, content)
    return len(content)


def _add_marks(source: Path, target: Path) -> None:
    """Add the marks that a place lacks; it may have others, made there."""
    if not source.exists():
        return
    there = target.read_bytes() if target.exists() else b""
    known = set(there.splitlines())
    lacking = [line for line in source.read_bytes().splitlines(keepends=True) if line.rstrip() not in known]
    if lacking:
        _in_place_of(target, there + b"".join(lacking))


def _in_place_of(target: Path, content: bytes) -> None:
    """Write a file beside its place, and only then there."""
    part = target.with_name(target.name + PART_SUFFIX)
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    if part.stat().st_size != len(content):
        raise OSError(errno.EIO, "only a part of it could be written")
    os.replace(part, target)


def last_frame_ns(place: RecordingPlace) -> int | None:
    """Give the time of the last frame that a place holds; None: it holds none."""
    for path in reversed(place.pieces().values()):
        t_ns = last_time(path)
        if t_ns is not None:
            return t_ns
    return None


def _holds_end_of(source: RecordingPlace, target: RecordingPlace) -> bool:
    """Whether the last frame of the target is in the source: if not, each was gone on with apart from the other."""
    there = source.pieces()
    for number, path in reversed(target.pieces().items()):
        line = last_line(path)
        if line is not None:
            # a place that left may have begun its next piece sooner
            near = (there[n] for n in (number, number - 1, number + 1) if n in there)
            return any(_has_line(piece, line + b"\n") for piece in near)
    return True


def _has_line(path: Path, line: bytes) -> bool:
    rest = b""
    with open_bytes(path) as file:
        while chunk := file.read(_CHUNK_BYTES):
            if line in (text := rest + chunk):
                return True
            rest = text[-len(line) :]
    return False


def even_out(one: RecordingPlace, other: RecordingPlace) -> None:
    """Make the place whose recording ends earlier equal to the other; nobody records to either.

    Raises
    ------
    OSError : one of them cannot be read or written
    InputError : the one that ends earlier holds what the other does not, which would be lost
    """
    ends = [last_frame_ns(place) for place in (one, other)]
    if ends[0] == ends[1]:
        return
    first_is_later = ends[1] is None or (ends[0] is not None and ends[0] > ends[1])
    source, target = (one, other) if first_is_later else (other, one)
    if not _holds_end_of(source, target):
        raise InputError(
            str(target.file or target.folder),
            f"the beginning of the recording in {source.file or source.folder}",
            "frames that it does not hold",
            "Keep both, and name another place with --also.",
        )
    target.folder.mkdir(parents=True, exist_ok=True)
    work = WriteBack(source, target)
    while not work.step():
        pass
