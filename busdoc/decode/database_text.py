"""Reads a database file as text, and refuses what would take the memory of the computer before it is parsed."""

import re
from collections.abc import Iterator
from pathlib import Path

from busdoc.errors import InputError

__all__ = ["SUFFIXES", "read_text"]

SUFFIXES = (".arxml", ".cdd", ".dbc", ".kcd", ".sym")

_MOST_BYTES = 256 << 20
_LONGEST_MESSAGE = 1785
"""Bytes that a J1939-21 transport session carries; CAN FD carries 64."""
_MOST_BITS = 8 * _LONGEST_MESSAGE
_MOST_MULTIPLEXED = 1 << 20

_DECLARED_ENCODING = re.compile(rb"""<\?xml[^>]{0,200}?encoding=["']([A-Za-z0-9._-]{1,40})["']""")

_MULTIPLEXED = re.compile(r"^[ \t]*SG_MUL_VAL_\s+\d+\s+\w+\s+\w+\s+([^;]*);", re.M)
_VALUES = re.compile(r"(\d{1,30})\s*-\s*(\d+)")

_LIMITS: dict[str, tuple[tuple[str, re.Pattern[str], int], ...]] = {
    ".dbc": (
        ("bytes of a message", re.compile(r"^[ \t]*BO_[ \t]+\d+[ \t]+\w+[ \t]*:[ \t]*(\d+)", re.M), _LONGEST_MESSAGE),
        ("bits before a signal", re.compile(r"^[ \t]*SG_[ \t][^:\n]*:[ \t]*(\d+)[ \t]*\|", re.M), _MOST_BITS),
        ("bits of a signal", re.compile(r"^[ \t]*SG_[ \t][^:\n]*:[ \t]*\d+[ \t]*\|[ \t]*(\d+)", re.M), _MOST_BITS),
    ),
    ".sym": (
        ("bytes of a message", re.compile(r"^[ \t]*(?:Len|DLC)[ \t]*=[ \t]*(\d+)", re.M), _LONGEST_MESSAGE),
        ("bits of a signal", re.compile(r"^[ \t]*(?:Var|Sig|Mux)[ \t]*=[^\n/]*?(\d{5,})", re.M), _MOST_BITS),
    ),
    ".kcd": (
        ("bits of a signal or bytes of a message", re.compile(r"""\blength=["'](\d+)["']"""), _MOST_BITS),
        ("bits before a signal", re.compile(r"""\boffset=["'](\d+)["']"""), _MOST_BITS),
    ),
    ".arxml": (
        ("bits or bytes", re.compile(r"<(?:BIT-)?LENGTH>\s*(\d+)"), 1 << 24),
        ("bits before a signal", re.compile(r"<START-POSITION>\s*(\d+)"), 1 << 24),
    ),
    ".cdd": (("bits of a value", re.compile(r"""\bbl=["'](\d+)["']"""), 1 << 20),),
}


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
    for what, number, offset, most in _beyond_limits(text, suffix):
        raise InputError(
            f"{path}, line {text.count(chr(10), 0, offset) + 1}",
            f"at most {most} {what}",
            number if len(number) <= 20 else f"a number of {len(number)} digits",
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


def _beyond_limits(text: str, suffix: str) -> Iterator[tuple[str, str, int, int]]:
    """Yield what is larger than any message needs: cantools lays out every bit, and would take all memory for it."""
    for what, pattern, most in _LIMITS[suffix]:
        for found in pattern.finditer(text):
            number = found[1]
            if len(number) > 20 or int(number) > most:
                yield what, number, found.start(1), most
    if suffix == ".dbc":
        for values in _MULTIPLEXED.finditer(text):
            for first, last in _VALUES.findall(values[1]):
                if len(last) > 20 or int(last) - int(first) > _MOST_MULTIPLEXED:
                    yield "multiplexer values in a range", f"{first}-{last}", values.start(1), _MOST_MULTIPLEXED
