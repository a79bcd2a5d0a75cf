"""What a recorder finds where it recorded before: a piece that broke off, half compressed ones, where to go on."""

import os
from dataclasses import dataclass
from pathlib import Path

from busdoc.capture.formats.files import is_gzip, open_bytes
from busdoc.capture.formats.log.line import parse_line
from busdoc.capture.formats.rows import FrameLine
from busdoc.capture.place import RecordingPlace
from busdoc.capture.recorder.keeper import PART_SUFFIX

__all__ = ["LastPiece", "cut_half_line", "last_line", "last_time", "text_bytes", "tidy_up"]

_TAIL_BYTES = 1 << 16
_LENGTH_BYTES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class LastPiece:
    """Where the recording stands."""

    number: int
    """0 when there is no piece."""
    t_ns: int | None
    """The time of its last frame."""
    n_pieces: int
    to_compress: tuple[Path, ...]


def tidy_up(place: RecordingPlace) -> LastPiece:
    """Mend what a crash left: cut half a line off, take away what was being compressed, find the last frame.

    Raises
    ------
    OSError : it cannot be read or mended
    """
    if place.file is None:
        for part in (*place.folder.glob(f"*.log{PART_SUFFIX}"), *place.folder.glob(f"*.log.gz{PART_SUFFIX}")):
            part.unlink()
    pieces = place.pieces()
    for path in pieces.values():
        packed = path.with_name(path.name + ".gz")
        if place.file is None and path.suffix == ".log" and packed.exists():
            # the compressed one has its name only since it is whole, and it may be of a piece that was gone on with
            (packed if path.stat().st_size > text_bytes(packed) else path).unlink()
    pieces = place.pieces()
    plain = [path for path in pieces.values() if path.suffix == ".log"]
    for path in plain:
        cut_half_line(path)
    for path in [path for path in plain if not path.stat().st_size]:
        path.unlink()
    pieces = place.pieces()
    t_ns = None
    for path in reversed(pieces.values()):
        t_ns = last_time(path)
        if t_ns is not None:
            break
    return LastPiece(
        number=max(pieces, default=0),
        t_ns=t_ns,
        n_pieces=len(pieces),
        to_compress=tuple(path for path in pieces.values() if path.suffix == ".log"),
    )


def text_bytes(path: Path) -> int:
    """Give how long the text of a piece is; of a compressed one as it says itself, at its end (RFC 1952)."""
    size = path.stat().st_size
    if path.suffix != ".gz" or size < _LENGTH_BYTES:
        return 0 if path.suffix == ".gz" else size
    with path.open("rb") as file:
        file.seek(size - _LENGTH_BYTES)
        return int.from_bytes(file.read(_LENGTH_BYTES), "little")


def cut_half_line(path: Path) -> int:
    """Cut off what follows the last whole line: half a line, or the zeros that a power cut leaves; give how much."""
    with path.open("r+b") as file:
        size = end = file.seek(0, os.SEEK_END)
        while end:
            begin = max(0, end - _TAIL_BYTES)
            file.seek(begin)
            newline = file.read(end - begin).rfind(b"\n")
            if newline >= 0:
                end = begin + newline + 1
                break
            end = begin
        if end < size:
            file.truncate(end)
            os.fsync(file.fileno())
        return size - end


def last_time(path: Path) -> int | None:
    """Give the time of a piece's last frame; None when it has none in its last lines."""
    line = last_line(path)
    parsed = None if line is None else parse_line(line)
    return parsed.t_ns if isinstance(parsed, FrameLine) else None


def last_line(path: Path) -> bytes | None:
    """Give the line of a piece's last frame; None when it has none in its last lines."""
    tail = b""
    try:
        with open_bytes(path) as file:
            if not is_gzip(path):
                file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
            while chunk := file.read(_TAIL_BYTES):
                tail = (tail + chunk)[-_TAIL_BYTES:]
    except (EOFError, OSError):
        pass  # cut off: what was read before counts
    for line in reversed(tail.splitlines()):
        if isinstance(parse_line(line), FrameLine):
            return line
    return None
