"""Finds capture files: what a name and the first bytes say about the kind. Nothing is parsed here."""

from collections.abc import Iterable
from pathlib import Path

from busdoc.capture.formats.files import RECORDING, first_bytes, name_unpacked, suffix_of
from busdoc.capture.formats.suffixes import READERS
from busdoc.errors import InputError, found_instead, nearest
from busdoc.files.given import no_plain_file

__all__ = ["find_captures", "with_article"]


def with_article(suffix: str) -> str:
    """Write the suffix of a reader with its article, as it is said aloud.

    >>> with_article(".asc"), with_article(".log")
    ('an .asc', 'a .log')
    """
    return f"{READERS[suffix].article} {suffix}"


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
            _check_kind(path)
            found.append(path)
    if not found:
        raise InputError("the capture", "at least one file", "none", _suffix_advice())
    return tuple(dict.fromkeys(found))


def _captures_in(folder: Path) -> list[Path]:
    """List the captures of a folder by name: each once, though it lies there compressed too, and no other tables."""
    inside = sorted(file for file in folder.iterdir() if file.is_file() and suffix_of(file) in READERS)
    names = {file.name for file in inside}
    return [
        file
        for file in inside
        if name_unpacked(file.name) not in names - {file.name}
        and (not READERS[suffix_of(file)].shared or _kind_of(first_bytes(file)) == suffix_of(file))
    ]


def _check_kind(path: Path) -> None:
    """Look at name and first bytes of a capture.

    Raises
    ------
    InputError : as `find_captures`
    """
    odd = no_plain_file(path)
    if odd is not None:
        advice = "Give a file, or - to read standard input."
        raise InputError(str(path), "a capture file", odd, advice)
    if not path.exists():
        raise InputError(str(path), "a capture file", "nothing by this name", _nearby_advice(path))
    suffix = suffix_of(path)
    if suffix not in READERS:
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
    if content is None and READERS[suffix].magic:
        raise InputError(
            str(path),
            f"{with_article(suffix)} capture",
            f"other content (it begins with {head[:4]!r})",
            _suffix_advice(),
        )


def _kind_of(head: bytes) -> str | None:
    """Tell a capture's kind from its first bytes; None when they do not say."""
    text = head[:256].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    for suffix, reader in READERS.items():
        if (reader.magic and head.startswith(reader.magic)) or (reader.opens and text.startswith(reader.opens)):
            return suffix
    return None


def _suffix_advice() -> str:
    return f"Captures are read by these suffixes: {', '.join(READERS)}, each also with .gz or .zst."


def _nearby_advice(path: Path) -> str:
    parent = path.parent
    if not parent.is_dir():
        return f"There is no folder {parent} either; check the path."
    captures = [file.name for file in parent.iterdir() if suffix_of(file) in READERS]
    return nearest(path.name, captures) if captures else "Check the path; there is no capture in that folder."
