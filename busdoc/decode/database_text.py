"""Reads a database file as text, and refuses what would take the memory of the computer before it is parsed."""

import re
from pathlib import Path

from busdoc.decode.database_limits import first_excess
from busdoc.errors import InputError

__all__ = ["SUFFIXES", "read_text"]

SUFFIXES = (".arxml", ".cdd", ".dbc", ".kcd", ".sym")

_MOST_BYTES = 256 << 20

_DECLARED_ENCODING = re.compile(rb"""<\?xml[^>]{0,200}?encoding=["']([A-Za-z0-9._-]{1,40})["']""")


def read_text(path: Path) -> tuple[str, tuple[str, ...]]:
    """Read a database file; give its text, and what was odd about its encoding.

    Raises
    ------
    InputError : when it is not there, is empty, is no database by its suffix, or holds sizes that no message has
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError(
            str(path),
            f"a message database ({', '.join(SUFFIXES)})",
            f"the suffix {suffix!r}" if suffix else "no suffix",
            "Give a database file, or rename it if its suffix is wrong.",
        )
    raw = _read_bytes(path)
    text, warnings = _decode(raw, suffix, path.name)
    excess = first_excess(text, suffix)
    if excess is not None:
        raise InputError(
            f"{path}, line {text.count(chr(10), 0, excess.offset) + 1}",
            f"at most {excess.most} {excess.what}",
            excess.found if len(excess.found) <= 30 else f"a number of {len(excess.found)} digits",
            "Correct the line, or export the database again.",
        )
    return text, warnings


def _read_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        reason = "a folder" if path.is_dir() else (error.strerror or str(error)).lower()
        raise InputError(str(path), "a readable database file", reason, "Check the path.") from error
    if len(raw) > _MOST_BYTES:
        raise InputError(
            str(path), f"at most {_MOST_BYTES >> 20} MB", "a larger file", "Export the part that this machine uses."
        )
    if not raw.strip(b"\0 \t\r\n"):
        raise InputError(str(path), "a message database", "an empty file", "Export the database again.")
    return raw


def _decode(raw: bytes, suffix: str, name: str) -> tuple[str, tuple[str, ...]]:
    """Turn bytes into text: by a mark at the start, by what the file declares, by what its suffix usually has."""
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if raw.startswith(mark):
            return _decode_as(raw, (encoding,), name)
    declared = _DECLARED_ENCODING.search(raw[:512])
    if declared:
        return _decode_as(raw, (declared[1].decode("ascii"), "utf-8"), name)
    if suffix in (".dbc", ".sym"):
        # cp1252 is what these are written in; a text with other letters that is UTF-8 throughout was not written in it
        return _decode_as(raw, ("ascii", "utf-8", "cp1252"), name)
    return _decode_as(raw, ("utf-8", "cp1252"), name)


def _decode_as(raw: bytes, encodings: tuple[str, ...], name: str) -> tuple[str, tuple[str, ...]]:
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except (UnicodeDecodeError, LookupError):
            continue
        odd = encoding == "cp1252" and encodings[-2:] != ("utf-8", "cp1252")
        warned = odd or (encoding == "cp1252" and encodings[0] != "ascii")
        return _newlines(text), (f"{name} is not {encodings[0]}; it was read as {encoding}",) if warned else ()
    usual = "cp1252" if "cp1252" in encodings else encodings[0]
    known = "latin-1" if usual == "cp1252" else "utf-8"
    text = raw.decode(known, errors="replace")
    return _newlines(text), (f"{name} holds bytes that are not {usual}; some names and units may read wrongly",)


def _newlines(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")
