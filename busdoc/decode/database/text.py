"""The text of a database file, before it is parsed.

What would take the memory of the computer is refused; what makes the parser refuse a whole file is taken out.
"""

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from math import prod
from pathlib import Path

from busdoc.errors import InputError
from busdoc.files.given import read_given

__all__ = ["SUFFIXES", "Excess", "as_text", "first_excess", "read_bytes", "remove_refused"]

SUFFIXES = (".arxml", ".cdd", ".dbc", ".kcd", ".sym")

_MOST_BYTES = 256 << 20

_DECLARED_ENCODING = re.compile(rb"""<\?xml[^>]{0,200}?encoding=["']([A-Za-z0-9._-]{1,40})["']""")


_XML = (".arxml", ".cdd", ".kcd")
_ENTITIES = re.compile(r"<!ENTITY|<!DOCTYPE[^>\[]{0,500}\[")
"""An internal subset (XML 1.0, section 2.8): no export of a database has one, and Python's parser expands it."""

_LONGEST_MESSAGE = 1785
"""Bytes that a J1939-21 transport session carries; CAN FD carries 64."""
_MOST_BITS = 8 * _LONGEST_MESSAGE
_MOST_BITS_OF_ANY_BUS = 1 << 20
_MOST_BRANCHES = 1 << 14
"""Of a multiplex in one message, all its levels multiplied."""
_MOST_IDENTIFIERS = 1 << 12
_MOST_DIGITS = 18
_MOST_SIGNALS = 8000
_SIGNAL_OR_MESSAGE = re.compile(r"^[ \t]*(BO_|SG_)[ \t]", re.MULTILINE)

_NUMBERS: dict[str, tuple[tuple[str, re.Pattern[str], int], ...]] = {
    ".dbc": (
        ("bytes in a message", re.compile(r"\bBO_\s+\w+\s+\w+\s*:\s*(\d+)"), _LONGEST_MESSAGE),
        ("bits before a signal", re.compile(r"\bSG_\s[^:]{0,300}:\s*(\d+)\s*\|"), _MOST_BITS),
        ("bits in a signal", re.compile(r"\bSG_\s[^:]{0,300}:\s*\d+\s*\|\s*(\d+)"), _MOST_BITS),
    ),
    ".sym": (
        ("bytes in a message", re.compile(r"\b(?:Len|DLC)\s*=\s*(\d+)"), _LONGEST_MESSAGE),
        ("bits", re.compile(r"\b(?:Var|Sig|Mux)\s*=[^\n/]{0,300}?(\d{5,})"), _MOST_BITS),
    ),
    ".kcd": (
        ("bits in a signal, or bytes in a message", re.compile(r"""\blength\s*=\s*["']\s*(\d+)"""), _MOST_BITS),
        ("bits before a signal", re.compile(r"""\boffset\s*=\s*["']\s*(\d+)"""), _MOST_BITS),
    ),
    ".arxml": (
        ("bits or bytes", re.compile(r"<(?:BIT-)?LENGTH\b[^>]*>\s*(\d+)"), _MOST_BITS_OF_ANY_BUS),
        ("bits before a signal", re.compile(r"<START-POSITION\b[^>]*>\s*(\d+)"), _MOST_BITS_OF_ANY_BUS),
    ),
    ".cdd": (("bits in a value", re.compile(r"""\bbl\s*=\s*["']\s*(\d+)"""), _MOST_BITS_OF_ANY_BUS),),
}

_BRANCHES = re.compile(r"\bSG_MUL_VAL_\s+(\w+)\s+(\w+)\s+(\w+)\s+([^;]*)")
_BRANCH_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")
_IDENTIFIERS = re.compile(r"\bID\s*=\s*([0-9A-F.]+)h\s*-\s*([0-9A-F.]+)h", re.I)

_UNUSED = re.compile(r"unused (VAL_|SIG_VALTYPE_) entries in DBC:\s*(.*)", re.S)
_ENTRY = re.compile(r"(?:(?:VAL_|SIG_VALTYPE_) )?(\d+) (\w+)")
_MESSAGE = re.compile(r"(?:in message|message) ([A-Za-z_]\w*)")


def read_bytes(path: Path) -> bytes:
    """Read a database file's bytes.

    Raises
    ------
    InputError : when it is not there, is empty, is too large, or is no database by its suffix
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError(
            str(path),
            f"a message database ({', '.join(SUFFIXES)})",
            f"the suffix {suffix!r}" if suffix else "no suffix",
            "Give a database file, or rename it if its suffix is wrong.",
        )
    raw = read_given(
        path, "a message database", most_bytes=_MOST_BYTES, advice="Export the part that this machine uses."
    )
    if not raw.strip(b"\0 \t\r\n"):
        raise InputError(str(path), "a message database", "an empty file", "Export the database again.")
    return raw


def as_text(path: Path, raw: bytes) -> tuple[str, tuple[str, ...]]:
    """Give the text of a database file's bytes, and what was odd about its encoding.

    Raises
    ------
    InputError : when it holds sizes that no message has
    """
    suffix = path.suffix.lower()
    text, warnings = _decode(raw, suffix, path.name)
    entities = _ENTITIES.search(text) if suffix in _XML else None
    if entities is not None:
        raise InputError(
            f"{path}, line {text.count(chr(10), 0, entities.start()) + 1}",
            "a database without definitions of its own entities",
            "one, which can grow without bounds or read other files",
            "Export the database again.",
        )
    excess = first_excess(text, suffix)
    if excess is not None:
        raise InputError(
            f"{path}, line {text.count(chr(10), 0, excess.offset) + 1}",
            f"at most {excess.most} {excess.what}",
            excess.found if len(excess.found) <= 30 else f"a number of {len(excess.found)} digits",
            "Correct the line, or export the database again.",
        )
    return text, warnings


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
        except (UnicodeError, LookupError):
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Excess:
    """A number that is too large."""

    what: str
    """What it counts, in words that follow 'at most 8'."""
    found: str
    offset: int
    """Where it stands in the text."""
    most: int


def _signals(text: str) -> Iterator[Excess]:
    """Look at how many signals a message has: the parser compares each with all others."""
    first, n = 0, 0
    for found in _SIGNAL_OR_MESSAGE.finditer(text):
        first, n = (found.start(), 0) if found[1] == "BO_" else (first, n + 1)
        if n > _MOST_SIGNALS:
            yield Excess(what="signals in a message", found="more", offset=first, most=_MOST_SIGNALS)
            return


def first_excess(text: str, suffix: str) -> Excess | None:
    """Give something in the text that is too large; None when nothing is."""
    others = {".dbc": (_branches, _signals), ".sym": (_identifiers,)}.get(suffix, ())
    return next(chain(_numbers(text, suffix), *(look(text) for look in others)), None)


def _numbers(text: str, suffix: str) -> Iterator[Excess]:
    for what, pattern, most in _NUMBERS[suffix]:
        for found in pattern.finditer(text):
            if len(found[1]) > _MOST_DIGITS or int(found[1]) > most:
                yield Excess(what=what, found=found[1], offset=found.start(1), most=most)


def _branches(text: str) -> Iterator[Excess]:
    """Look at how many values each multiplexer of a message is said to have."""
    most_values: dict[str, dict[str, int]] = defaultdict(dict)
    for entry in _BRANCHES.finditer(text):
        n_values = 0
        for first, last in _BRANCH_RANGE.findall(entry[4]):
            too_long = max(len(first), len(last)) > _MOST_DIGITS
            n_values += _MOST_BRANCHES + 1 if too_long else max(0, int(last) - int(first) + 1)
        of_message = most_values[entry[1]]
        of_message[entry[3]] = max(of_message.get(entry[3], 1), n_values)
        if prod(of_message.values()) > _MOST_BRANCHES:
            found = " ".join(entry[4].split())
            yield Excess(
                what="values of the multiplexers of a message",
                found=found if len(found) <= 30 else found[:27] + "...",
                offset=entry.start(4),
                most=_MOST_BRANCHES,
            )


def _identifiers(text: str) -> Iterator[Excess]:
    for found in _IDENTIFIERS.finditer(text):
        first, last = (number.split(".")[0] for number in found.groups())
        n_identifiers = int(last or "0", 16) - int(first or "0", 16) + 1
        if n_identifiers > _MOST_IDENTIFIERS:
            said = f"{found[1]}h-{found[2]}h"
            yield Excess(what="identifiers of one message", found=said, offset=found.start(1), most=_MOST_IDENTIFIERS)


def remove_refused(text: str, complaint: str) -> tuple[str, str] | None:
    """Remove what a complaint of cantools is about.

    Returns
    -------
    the text without it, with every line in its place, and words on what was removed; None when the complaint is about
    something else
    """
    unused = _UNUSED.search(complaint)
    if unused:
        named = _ENTRY.findall(unused[2])
        repaired = text
        for number, signal in named:
            entry = re.compile(rf"^[ \t]*{unused[1]}\s+{number}\s+{signal}\b[^;]*;", re.M)
            repaired = entry.sub(_blank, repaired)
        if repaired != text:
            names = ", ".join(f"{signal} of message {number}" for number, signal in named[:3])
            return repaired, f"{unused[1]} entries for signals that it does not define are left out ({names})"
    about = _MESSAGE.findall(complaint)
    if about and ("frame id" in complaint or "is not greater than 0" in complaint):
        block = re.compile(rf"^[ \t]*BO_[ \t]+\d+[ \t]+{about[-1]}[ \t]*:.*\n(?:[ \t]*SG_[ \t].*\n?)*", re.M)
        repaired = block.sub(_blank, text)
        if repaired != text:
            reason = " ".join(complaint.removeprefix('DBC: "').rstrip('".').split())
            return repaired, f"the message {about[-1]} is left out: {reason}"
    return None


def _blank(found: "re.Match[str]") -> str:
    """Keep the line breaks, so that what is said of other lines stays right."""
    return "\n" * found[0].count("\n")
