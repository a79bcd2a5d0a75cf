"""Capture files on disk: what a name and the first bytes say about the kind, and a stream of the bytes.

Nothing is parsed here. A compressed file is inflated while it is read; how large it would become does not matter.
"""

import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import IO, cast

from busdoc.capture.formats.gzip_bytes import GzipBytes
from busdoc.errors import InputError, found_instead, nearest

__all__ = [
    "RECORDING",
    "SUFFIXES",
    "check_kind",
    "find_captures",
    "is_gzip",
    "open_bytes",
    "size_bytes",
    "suffix_of",
    "with_article",
]

SUFFIXES = (".log", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4")
"""The kinds of capture that are read, each also with .gz behind it."""

_GZIP_GROWTH = 6
"""A capture's text shrinks by about this much in .gz (common practice: 5 to 8)."""

_SNIFF_BYTES = 4096
RECORDING = "recording"
"""The folder in that of a session that holds what was heard."""


def suffix_of(path: Path) -> str:
    """Give the suffix that says the kind, without .gz; empty when the name has none.

    >>> suffix_of(Path("a.b.LOG.gz")), suffix_of(Path("notes"))
    ('.log', '')
    """
    name = path.name.lower()
    return Path(name.removesuffix(".gz")).suffix


def with_article(suffix: str) -> str:
    """Write a suffix with its article, as it is said aloud.

    >>> with_article(".asc"), with_article(".log")
    ('an .asc', 'a .log')
    """
    return f"{'an' if suffix in ('.asc', '.mf4') else 'a'} {suffix}"


def find_captures(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Name the capture files that `paths` stand for; a directory stands for all captures in it, by name.

    The folder of a session holds none itself and stands for the recording in it.

    Raises
    ------
    InputError : nothing there, a suffix that is not read, an empty file, or content of another kind than the name says
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = _captures_in(path)
            if not inside and (path / RECORDING).is_dir():
                inside = _captures_in(path / RECORDING)
            with_bytes = [file for file in inside if file.stat().st_size]
            if not with_bytes:
                empty = f"{len(inside)} empty ones" if inside else "none"
                raise InputError(str(path), "captures in this folder", empty, _suffix_advice())
            found.extend(with_bytes)
        else:
            check_kind(path)
            found.append(path)
    if not found:
        raise InputError("the capture", "at least one file", "none", _suffix_advice())
    return tuple(dict.fromkeys(found))


def _captures_in(folder: Path) -> list[Path]:
    """List the captures of a folder by name: each once, though it lies there compressed too, and no other tables."""
    inside = sorted(file for file in folder.iterdir() if file.is_file() and suffix_of(file) in SUFFIXES)
    names = {file.name for file in inside}
    return [
        file
        for file in inside
        if file.name.removesuffix(".gz") not in names - {file.name}
        and (suffix_of(file) != ".csv" or _kind_of(first_bytes(file)) == ".csv")
    ]


def check_kind(path: Path) -> None:
    """Look at name and first bytes of a capture.

    Raises
    ------
    InputError : as `find_captures`
    """
    if not path.exists():
        raise InputError(str(path), "a capture file", "nothing by this name", _nearby_advice(path))
    suffix = suffix_of(path)
    if suffix not in SUFFIXES:
        raise InputError(str(path), "a capture", f"the suffix {suffix!r}" if suffix else "no suffix", _suffix_advice())
    try:
        with path.open("rb") as file:
            raw = file.read(2)
        head = first_bytes(path)
    except OSError as error:
        raise InputError(
            str(path), "a file that can be read", found_instead(error), "Check the name and its rights."
        ) from error
    if not raw:
        raise InputError(str(path), "a capture", "an empty file", "Record it again, or choose another.")
    content = _kind_of(head)
    if content is not None and content != suffix:
        raise InputError(
            str(path),
            f"{with_article(suffix)} capture",
            f"the content of {with_article(content)} one",
            f"Rename it to end in {content}.",
        )
    if content is None and suffix in (".blf", ".db", ".mf4"):
        raise InputError(
            str(path),
            f"{with_article(suffix)} capture",
            f"other content (it begins with {head[:4]!r})",
            _suffix_advice(),
        )


def first_bytes(path: Path) -> bytes:
    """Give the first few thousand bytes, inflated; fewer when the file is damaged."""
    with open_bytes(path) as file:
        try:
            return file.read(_SNIFF_BYTES)
        except (EOFError, zlib.error, OSError):
            return b""


def size_bytes(path: Path) -> int:
    """Estimate how many bytes a capture has once inflated."""
    path = _as_it_lies_now(path)
    n_bytes = path.stat().st_size
    return n_bytes * _GZIP_GROWTH if is_gzip(path) else n_bytes


def open_bytes(path: Path) -> IO[bytes]:
    """Open a capture for reading bytes in order; .gz is inflated by a thread beside the reading one."""
    path = _as_it_lies_now(path)
    if not is_gzip(path):
        return path.open("rb", buffering=0)
    return cast(IO[bytes], GzipBytes(path))


def _as_it_lies_now(path: Path) -> Path:
    """Follow a piece of a running recording that was compressed since it was listed."""
    packed = path.with_name(path.name + ".gz")
    return packed if not path.exists() and packed.exists() else path


def is_gzip(path: Path) -> bool:
    """Whether the content is gzip, whatever the name says: recorders and mail programs strip or add the suffix."""
    path = _as_it_lies_now(path)
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


def _kind_of(head: bytes) -> str | None:
    """Tell a capture's kind from its first bytes; None when they do not say."""
    for magic, kind in ((b"LOGG", ".blf"), (b"MDF  ", ".mf4"), (b"SQLite format 3\0", ".db")):
        if head.startswith(magic):
            return kind
    text = head[:256].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith((b";$fileversion", b";##########")):
        return ".trc"
    if text.startswith(b"timestamp,arbitration_id"):
        return ".csv"
    if text.startswith((b"date ", b"base hex", b"base dec")):
        return ".asc"
    return None


def _suffix_advice() -> str:
    return f"Captures are read by these suffixes: {', '.join(SUFFIXES)}, each also with .gz."


def _nearby_advice(path: Path) -> str:
    parent = path.parent
    if not parent.is_dir():
        return f"There is no folder {parent} either; check the path."
    captures = [file.name for file in parent.iterdir() if suffix_of(file) in SUFFIXES]
    return nearest(path.name, captures) if captures else "Check the path; there is no capture in that folder."
