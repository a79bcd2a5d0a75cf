"""Where a recording of busdoc's own lies, and how its pieces are called.

    DIR/recording-0001.log.gz      closed pieces, compressed
    DIR/recording-0002.log         the piece that is being written
    DIR/gaps.csv                   what was not heard or not recorded (`busdoc.capture.recorder.gaps`)
    DIR/marks.csv                  what was marked while it ran: a journal
    DIR/notes.txt                  how the buses were listened to (`busdoc.capture.recorder.notes`)

or, in one file: FILE.log, FILE.gaps.csv, FILE.marks.csv, FILE.notes.txt.
"""

import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

__all__ = ["PIECE_STEM", "Piece", "RecordingPlace", "piece_of", "place_at", "try_lock"]

PIECE_STEM = "recording"

_NUMBERED = re.compile(r"(?P<stem>.+)-(?P<number>\d{4,9})")
_GAPS, _MARKS, _NOTES = "gaps.csv", "marks.csv", "notes.txt"

_FAR_BYTE = 0x7FFF_FF00
"""Windows keeps others from reading a locked stretch, so one is locked that no such file reaches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One file of a recording."""

    gap_file: Path
    """The same for all pieces of one recording."""
    number: int

    @property
    def notes_file(self) -> Path:
        """Where it is noted how the buses were listened to; the same for all pieces of one recording."""
        return self.gap_file.with_name(self.gap_file.name.removesuffix(_GAPS) + _NOTES)

    def follows(self, other: "Piece | None") -> bool:
        """Whether it goes on where the other ends: what lies between them was heard, unless the gap file says else."""
        return other is not None and other.gap_file == self.gap_file and other.number + 1 == self.number


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingPlace:
    """A folder of pieces, or one file."""

    folder: Path
    file: Path | None = None
    """The one file; None for numbered pieces in the folder."""

    @property
    def gap_file(self) -> Path:
        """Where gaps are kept."""
        return self.folder / (_GAPS if self.file is None else f"{self.file.stem}.{_GAPS}")

    @property
    def marks_file(self) -> Path:
        """Where marks are kept."""
        return self.folder / (_MARKS if self.file is None else f"{self.file.stem}.{_MARKS}")

    @property
    def notes_file(self) -> Path:
        """Where it is noted how the buses were listened to."""
        return self.folder / (_NOTES if self.file is None else f"{self.file.stem}.{_NOTES}")

    def piece(self, number: int) -> Path:
        """Name a piece as it is written."""
        return self.file if self.file is not None else self.folder / f"{PIECE_STEM}-{number:04d}.log"

    def pieces(self) -> dict[int, Path]:
        """List the pieces that are there, by number; the plain file where a compressed one lies beside it."""
        if self.file is not None:
            return {1: self.file} if self.file.exists() else {}
        found: dict[int, Path] = {}
        for path in sorted(_files_in(self.folder)):
            number = _number(path, PIECE_STEM)
            if number is not None and (number not in found or path.suffix == ".log"):
                found[number] = path
        return dict(sorted(found.items()))


def place_at(path: Path) -> RecordingPlace:
    """Give the place that a path stands for: one file when it ends in .log, else a folder."""
    if path.suffix.lower() == ".log" and not path.is_dir():
        return RecordingPlace(folder=path.parent, file=path)
    return RecordingPlace(folder=path)


def piece_of(path: Path) -> Piece | None:
    """Tell which piece of a recording a file is, by its name and the gap file beside it; None for any other file."""
    stem = _stem(path)
    if stem is None:
        return None
    alone = path.with_name(f"{stem}.{_GAPS}")
    if alone.is_file():
        return Piece(gap_file=alone, number=1)
    number = _number(path, PIECE_STEM)
    shared = path.with_name(_GAPS)
    return Piece(gap_file=shared, number=number) if number is not None and shared.is_file() else None


def _number(path: Path, stem: str) -> int | None:
    match = _NUMBERED.fullmatch(_stem(path) or "")
    return int(match["number"]) if match is not None and match["stem"] == stem else None


def _stem(path: Path) -> str | None:
    """Give the name without .log or .log.gz; None for other suffixes."""
    name = path.name.removesuffix(".gz")
    return name.removesuffix(".log") if name.endswith(".log") else None


def _files_in(folder: Path) -> Iterable[Path]:
    return [path for path in folder.iterdir() if path.is_file()] if folder.is_dir() else []


def try_lock(file: BinaryIO) -> bool:
    """Lock a file for this process until it is closed; False when another process, or another opening, holds it."""
    if sys.platform == "win32":
        import msvcrt

        at = file.tell()
        file.seek(_FAR_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            file.seek(at)
        return True
    import fcntl

    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks, such as some network drives
        return True
    return True
