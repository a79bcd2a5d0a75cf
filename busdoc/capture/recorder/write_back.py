"""Makes one place of a recording equal to another, piece by piece, while the other is being recorded to.

Both held the same text until one of them went away, so a plain piece that is shorter is the beginning of the longer
one. What was compressed in the meantime is copied whole and takes its name only then.
"""

import os
from collections.abc import Iterator
from pathlib import Path

from busdoc.capture.place import RecordingPlace
from busdoc.capture.recorder.keeper import PART_SUFFIX
from busdoc.capture.recorder.resume import last_time

__all__ = ["WriteBack", "even_out", "last_frame_ns"]

_STEP_BYTES = 4 << 20
"""Copied at once: no longer than a recorder may be kept from its work."""
_COMPARED_BYTES = 1 << 12


class WriteBack:
    """Copies what a place lacks, a few megabytes at a time.

    Parameters
    ----------
    source : is whole, and may grow
    target : is not recorded to
    """

    def __init__(self, source: RecordingPlace, target: RecordingPlace) -> None:
        self._source = source
        self._target = target

    def step(self, most_bytes: int = _STEP_BYTES) -> bool:
        """Copy on; give whether both are equal now.

        Raises
        ------
        OSError : one of them cannot be read or written
        """
        left = most_bytes
        numbers = list(self._source.pieces())
        if numbers != list(range(min(numbers, default=0), max(numbers, default=-1) + 1)):
            return False  # a piece took its new name while the folder was listed
        for source, target in self._pairs():
            left -= _whole(source, target) if source.suffix == ".gz" else _grown(source, target, left)
            if left <= 0:
                return False
        for source, target in (
            (self._source.gap_file, self._target.gap_file),
            (self._source.notes_file, self._target.notes_file),
        ):
            if source.exists():
                _in_place_of(target, source.read_bytes())
        _add_marks(self._source.marks_file, self._target.marks_file)
        return True

    def _pairs(self) -> Iterator[tuple[Path, Path]]:
        """Yield each piece with its place in the target, of those that are not there as they are here."""
        pieces = self._source.pieces()
        for number, source in pieces.items():
            plain = self._target.piece(number)
            packed = plain.with_name(plain.name + ".gz")
            if source.suffix == ".gz":
                if not packed.exists() or packed.stat().st_size != source.stat().st_size:
                    yield source, packed
                plain.unlink(missing_ok=True)
            else:
                yield source, plain
                if plain.stat().st_size >= source.stat().st_size:  # compressed there, and gone on with here
                    packed.unlink(missing_ok=True)
        last_ns = last_frame_ns(self._source)
        for number, path in self._target.pieces().items():
            t_ns = last_time(path) if number > max(pieces, default=0) else None
            if t_ns is not None and last_ns is not None and t_ns <= last_ns:  # the same frames, cut in another way
                path.unlink()


def _grown(source: Path, target: Path, most_bytes: int) -> int:
    """Add to a plain piece what it lacks; give how many bytes that were."""
    with source.open("rb") as read, target.open("a+b") as written:
        at = min(written.seek(0, os.SEEK_END), read.seek(0, os.SEEK_END))
        begin = max(0, at - _COMPARED_BYTES)
        read.seek(begin)
        written.seek(begin)
        if read.read(at - begin) != written.read(at - begin):
            at = 0
        written.truncate(at)
        read.seek(at)
        n_bytes = 0
        while n_bytes < most_bytes and (chunk := read.read(min(1 << 20, most_bytes - n_bytes))):
            written.write(chunk)
            n_bytes += len(chunk)
        written.flush()
        os.fsync(written.fileno())
    return n_bytes


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
    os.replace(part, target)


def last_frame_ns(place: RecordingPlace) -> int | None:
    """Give the time of the last frame that a place holds; None: it holds none."""
    for path in reversed(place.pieces().values()):
        t_ns = last_time(path)
        if t_ns is not None:
            return t_ns
    return None


def even_out(one: RecordingPlace, other: RecordingPlace) -> None:
    """Make the place whose recording ends earlier equal to the other; nobody records to either.

    Raises
    ------
    OSError : one of them cannot be read or written
    """
    ends = [last_frame_ns(place) for place in (one, other)]
    if ends[0] == ends[1]:
        return
    first_is_later = ends[1] is None or (ends[0] is not None and ends[0] > ends[1])
    source, target = (one, other) if first_is_later else (other, one)
    target.folder.mkdir(parents=True, exist_ok=True)
    work = WriteBack(source, target)
    while not work.step():
        pass
