"""The written record as plain blocks, before anyone decides how it looks.

`busdoc.report.record.html` and `busdoc.report.record.pdf` draw the same `Page`, so both hold the same content. Texts
are plain: what a capture, map, database or journal brought along is escaped by the renderer, never here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "Align",
    "Block",
    "Column",
    "Facts",
    "Fold",
    "Items",
    "Page",
    "Photograph",
    "Picture",
    "Section",
    "Table",
    "Text",
    "Tone",
]


class Tone(StrEnum):
    """How a text is meant."""

    PLAIN = "plain"
    GOOD = "good"
    TROUBLE = "trouble"
    CAUTION = "caution"
    QUIET = "quiet"


class Align(StrEnum):
    """How a column's cells stand."""

    LEFT = "left"
    RIGHT = "right"


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """One paragraph."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """A list, each item a sentence or two."""

    items: tuple[str, ...]
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names and values, one a line; an empty value leaves room to write on paper."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table."""

    name: str
    align: Align = Align.LEFT
    weight: float = 1.0
    """Its share of the width on paper."""
    share: bool = False
    """Its cells are percentages that may be drawn as a bar as well."""
    code: bool = False
    """Its cells are written in letters of equal width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; every row has a cell for each column."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    more: int = 0
    """Rows left out, which only the JSON and the tables hold."""
    headed: bool = False
    """Its title is shown and not only read out, since the heading above does not say it."""
    links: tuple[str, ...] = ()
    """Where the first cell of each row leads, on a screen; empty: nowhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture with its text equivalent.

    `draw` is called with the width to draw for, in inches, and with whether letters must become outlines; it gives SVG.
    """

    title: str
    text: str
    """What the picture shows, in words."""
    captioned: bool
    """The text is also printed under it."""
    draw: Callable[[float, bool], str]
    widths: tuple[float, ...]
    """Widths that are worth drawing for, in inches, widest first: paper and desktop, then a phone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """A photograph, as JPEG."""

    text: str
    """What it is of, in words; printed under it as well."""
    jpeg: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """Detail that a screen shows on request and paper always."""

    title: str
    blocks: "tuple[Block, ...]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the page under its own heading; its `level` is 2 or 3."""

    title: str
    anchor: str
    blocks: "tuple[Block | Section, ...]"
    level: int = 2


Block = Text | Items | Facts | Table | Picture | Photograph | Fold


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """The whole record."""

    title: str
    headline: str
    tone: Tone
    state: str
    """The verdict in a word or two, which stands beside the headline."""
    facts: Facts
    sections: tuple[Section, ...]
    """The appendix: folded on a screen, and after the first page on paper."""
    made_by: str
    front: tuple[Block, ...] = ()
    """What the first page holds beside verdict and facts."""

    @property
    def shows_photographs(self) -> bool:
        """Whether there is any."""
        return any(_holds_photograph(section) for section in self.sections)


def _holds_photograph(block: "Block | Section") -> bool:
    if isinstance(block, Photograph):
        return True
    return isinstance(block, Section | Fold) and any(_holds_photograph(inner) for inner in block.blocks)
