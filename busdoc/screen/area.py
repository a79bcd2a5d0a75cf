"""An area of the screen: it shows lines that were drawn elsewhere, and repaints only those that changed."""

from collections.abc import Mapping, Sequence

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from busdoc.screen.lines import Line
from busdoc.screen.tones import NIGHT, Tone

__all__ = ["Area"]


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
