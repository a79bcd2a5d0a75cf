"""Lines of text in tones: what areas are drawn in, before any terminal is there to show them.

Widths are counted in terminal cells, so a name in wide letters keeps the columns straight.
"""

import textwrap
from collections.abc import Mapping, Sequence

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from busdoc.screen.drawing.styles import NIGHT, Tone
from busdoc.words.printable import printable

__all__ = [
    "ELLIPSIS",
    "Area",
    "Line",
    "fit",
    "line_of",
    "pad",
    "plain",
    "rule",
    "shorten",
    "shorten_apart",
    "width_of",
    "wrap",
]

Line = tuple[tuple[str, Tone], ...]
"""Pieces of one line, from left to right."""

ELLIPSIS = "…"


def plain(line: Line) -> str:
    """Give a line's text."""
    return "".join(text for text, _ in line)


def width_of(line: Line) -> int:
    """Count a line's cells."""
    return sum(cell_len(text) for text, _ in line)


def shorten(text: str, width: int) -> str:
    """Shorten a name to `width` cells with an ellipsis in the middle: beginnings and ends tell names apart.

    >>> shorten("rear-left-broom-harness", 12), shorten("fan", 12), shorten("hopper", 1)
    ('rear-l…rness', 'fan', '…')
    """
    return _cut(printable(text), width, (width - 1) // 2)


def shorten_apart(names: Sequence[str], width: int) -> dict[str, str]:
    """Shorten names so that as many as can be stay apart; the ellipsis moves from the middle if it must.

    >>> shorten_apart(["wheel-left-1-controller", "wheel-left-2-controller"], 16)
    {'wheel-left-1-controller': 'wheel-left-1…ler', 'wheel-left-2-controller': 'wheel-left-2…ler'}
    """
    middle = max(0, (width - 1) // 2)
    best = {name: shorten(name, width) for name in names}
    for away in range(1, middle + 1):
        if len(set(best.values())) == len(best):
            break
        for tail in (middle - away, middle + away):
            cut = {name: _cut(printable(name), width, tail) for name in names}
            if len(set(cut.values())) > len(set(best.values())):
                best = cut
    return best


def _cut(text: str, width: int, tail: int) -> str:
    """Cut a text out of its middle, so that at most `tail` cells of its end stay."""
    if cell_len(text) <= width:
        return text
    if width <= 1:
        return ELLIPSIS[:width]
    tail = min(tail, width - 1)
    head = set_cell_size(text, width - 1 - tail).rstrip()
    end = text
    while cell_len(end) > tail:
        end = end[1:]
    return head + ELLIPSIS + end


def pad(text: str, width: int) -> str:
    """Give a name exactly `width` cells, shortened or filled with blanks.

    >>> pad("fan", 6)
    'fan   '
    """
    text = shorten(text, width)
    return text + " " * (width - cell_len(text))


def line_of(*pieces: tuple[str, Tone] | str) -> Line:
    """Build a line; a bare text is plain."""
    return tuple((piece, Tone.PLAIN) if isinstance(piece, str) else piece for piece in pieces if piece)


def fit(line: Line, width: int) -> Line:
    """Give a line exactly `width` cells: what is too long ends in an ellipsis after a whole word."""
    if width <= 0:
        return ()
    length = width_of(line)
    if length <= width:
        return line if length == width else (*line, (" " * (width - length), Tone.PLAIN))
    kept: list[tuple[str, Tone]] = []
    room = width - 1
    for text, tone in line:
        if cell_len(text) <= room:
            kept.append((text, tone))
            room -= cell_len(text)
            continue
        part = set_cell_size(text, room)
        words = part.rsplit(" ", 1)[0]
        if words.strip() and text[len(part) : len(part) + 1] != " ":
            part = words
        kept.append((part.rstrip(" ,;:") + ELLIPSIS, tone))
        break
    return fit(tuple(kept), width)


def wrap(text: str, width: int, tone: Tone = Tone.PLAIN, *, most: int | None = None, indent: str = "") -> list[Line]:
    """Break a text between words; past `most` lines it ends in an ellipsis after a whole word.

    >>> [plain(line) for line in wrap("plug harness-A in and watch", 14)]
    ['plug harness-A', 'in and watch']
    """
    if width < 2 or (most is not None and most <= 0):
        return []
    rows = textwrap.wrap(printable(text), width, subsequent_indent=indent, break_on_hyphens=False) or [""]
    if most is not None and len(rows) > most:
        rows = rows[:most]
        while cell_len(rows[-1]) >= width and " " in rows[-1].strip():
            rows[-1] = rows[-1].rsplit(" ", 1)[0]
        rows[-1] = set_cell_size(rows[-1], min(cell_len(rows[-1]), width - 1)).rstrip(" ,;:") + ELLIPSIS
    return [((row, tone),) for row in rows]


def rule(title: str, aside: Line, width: int) -> Line:
    """Draw the title of an area: its name, what it says in short, and a rule to the right edge."""
    head: Line = ((f" {title} ", Tone.TITLE), *aside)
    length = width_of(head)
    if length + 2 > width:
        return fit(head, width)
    return (*head, (" ", Tone.FAINT), ("─" * (width - length - 1), Tone.FAINT))


class Area(Widget):
    """Shows lines, one a row."""

    can_focus = False

    def __init__(self, name: str) -> None:
        super().__init__(id=name)
        self._lines: tuple[Line, ...] = ()
        self._styles: Mapping[Tone, Style] = NIGHT

    @property
    def lines(self) -> tuple[Line, ...]:
        """What is shown."""
        return self._lines

    def show(self, lines: Sequence[Line], styles: Mapping[Tone, Style] | None = None) -> None:
        """Show these lines; only rows that differ from those shown are painted again."""
        before, self._lines = self._lines, tuple(lines)
        if styles is not None and styles is not self._styles:
            self._styles = styles
            self.refresh()
            return
        n = max(len(before), len(self._lines))
        changed = [
            Region(0, y, self.size.width, 1)
            for y in range(n)
            if y >= len(before) or y >= len(self._lines) or before[y] != self._lines[y]
        ]
        if changed:
            self.refresh(*changed)

    def render_line(self, y: int) -> Strip:
        """Give one row (called by Textual)."""
        line = self._lines[y] if y < len(self._lines) else ()
        segments = [Segment(text, self._styles[tone]) for text, tone in line]
        return Strip(segments).adjust_cell_length(self.size.width).apply_style(self.rich_style)
