"""A press on the page, as the phone sends it, and what is answered.

Times are seconds of the server's clock: the phone has measured how far its own is from that.
"""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from busdoc.errors import InputError
from busdoc.screen.drawing.styles import Tone
from busdoc.words.printable import printable

__all__ = ["LOST_AFTER_S", "Answer", "Press", "read_press"]

LOST_AFTER_S = 2.0
"""So long without news, and the page says that the connection is lost."""
_MARK = re.compile(r"[0-9a-f]{32}")
_MOST_LETTERS = 400
_MOST_NAME = 40
_TEXTS = ("action", "part", "into", "text", "key", "photograph")
"""What a press may say beside what it is; each is a text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """One press."""

    mark: str
    """Its own, drawn by the phone, the same however often it is sent."""
    what: str
    at_s: float
    """When it was pressed."""
    seen_s: float
    """Of when the picture was that the phone showed then."""
    since_s: float
    """Since when the phone showed what was pressed for."""
    by: str
    """The name that was typed on this phone; empty: none."""
    said: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    n: int | None = None
    """Number of the action that it is about."""
    phone: str = ""
    """Which phone; set by the server."""

    @property
    def was_cut_off(self) -> bool:
        """Whether the phone had no news when it was pressed: it was pressed for what stood there."""
        return self.at_s - self.seen_s > LOST_AFTER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came of a press."""

    text: str
    tone: Tone
    logged: bool = False
    """It is on the disk."""
    awaits: bool = False
    """A second answer may confirm it."""
    n: int | None = None
    """The action."""


def read_press(body: bytes) -> Press:
    """Read what a phone sent.

    Raises
    ------
    InputError : it is no press
    """
    try:
        given = json.loads(body.decode("utf-8"))
    except (ValueError, RecursionError):
        given = None
    if not isinstance(given, dict):
        raise _odd("a press", "none")
    mark, what = given.get("mark"), given.get("what")
    if not isinstance(mark, str) or not _MARK.fullmatch(mark):
        raise _odd("a mark of 32 hexadecimal digits", "another")
    if not isinstance(what, str) or not 0 < len(what) <= _MOST_NAME:
        raise _odd("what was pressed", "nothing")
    said = {}
    for name in _TEXTS:
        value = given.get(name)
        if value is None:
            continue
        if not isinstance(value, str) or len(value) > _MOST_LETTERS:
            raise _odd(f"{name} as a text of at most {_MOST_LETTERS} letters", "something else")
        said[name] = printable(value).strip()
    n = given.get("n")
    if n is not None and (not isinstance(n, int) or isinstance(n, bool) or not 0 < n < 1 << 31):
        raise _odd("the number of an action", "something else")
    by = given.get("by", "")
    if not isinstance(by, str):
        raise _odd("a name", "something else")
    at_s, seen_s, since_s = (_seconds(given, name) for name in ("at", "seen", "since"))
    return Press(
        mark=mark,
        what=what,
        at_s=at_s,
        seen_s=seen_s,
        since_s=since_s,
        by=printable(by).strip()[:_MOST_NAME],
        said=MappingProxyType(said),
        n=n,
    )


def _seconds(given: Mapping[str, Any], name: str) -> float:
    value = given.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _odd(f"{name} in milliseconds", "something else")
    if not math.isfinite(value) or not 0 <= value < 1e15:
        raise _odd(f"{name} in milliseconds of this century", "another time")
    return float(value) / 1000.0


def _odd(expected: str, found: str) -> InputError:
    return InputError("the press", expected, found, "Load the page again.")
