"""Finds, in the text of a database, what is larger than any machine needs.

cantools lays out every bit of a message, one message for each identifier of a range, and one codec for each value of a
multiplexer: a line of forty characters can ask for all the memory of the computer. So such lines are looked for first.
"""

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from math import prod

__all__ = ["Excess", "first_excess"]

_LONGEST_MESSAGE = 1785
"""Bytes that a J1939-21 transport session carries; CAN FD carries 64."""
_MOST_BITS = 8 * _LONGEST_MESSAGE
_MOST_BITS_OF_ANY_BUS = 1 << 20
_MOST_BRANCHES = 1 << 14
"""Of a multiplex in one message, all its levels multiplied."""
_MOST_IDENTIFIERS = 1 << 12
_MOST_DIGITS = 18

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Excess:
    """A number that is too large."""

    what: str
    """What it counts, in words that follow 'at most 8'."""
    found: str
    offset: int
    """Where it stands in the text."""
    most: int


def first_excess(text: str, suffix: str) -> Excess | None:
    """Give something in the text that is too large; None when nothing is."""
    ranges = {".dbc": _branches, ".sym": _identifiers}.get(suffix)
    return next(chain(_numbers(text, suffix), ranges(text) if ranges else ()), None)


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
