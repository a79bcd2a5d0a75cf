"""Strip: the presence of each controller over the last minutes, with what was done as marks under it.

A column that holds any absence shows it, however short.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.health.controller import ControllerState
from busdoc.live.view import ControllerRow, SessionView, StripSpan
from busdoc.screen.areas.roll_call import rows_between
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, rule
from busdoc.screen.drawing.states import NOT_HEARD, OFF, STATES, Sign
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.keys import LETTERS
from busdoc.times import SECOND_NS
from busdoc.words.duration import countdown

__all__ = ["WINDOWS_S", "PresenceStrip", "Window", "draw_presence", "window_at"]

WINDOWS_S = (30, 60, 120, 300, 600, 1800, 3600, 4 * 3600, 12 * 3600, 48 * 3600)
"""Lengths of the strip, from near to far."""

_PARTLY = "╌"
_BEFORE = " "


class PresenceStrip(Area):
    """The strip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The stretch of time that the strip shows, in columns of equal length."""

    end_ns: int
    column_ns: int
    columns: int

    @property
    def start_ns(self) -> int:
        """Where the first column begins."""
        return self.end_ns - self.columns * self.column_ns

    def column_of(self, t_ns: int) -> int:
        """Give the column of an instant; outside 0 … columns - 1 when it is out of sight."""
        return (t_ns - self.start_ns) // self.column_ns


def window_at(now_ns: int, back_ns: int, length_s: int, columns: int) -> Window:
    """Lay the window so that it moves by whole columns, and the strip stands still between.

    Parameters
    ----------
    back_ns : how far it was scrolled back from now
    """
    columns = max(1, columns)
    column_ns = max(1, length_s * SECOND_NS // columns)
    end_ns = -(-(now_ns - back_ns) // column_ns) * column_ns
    return Window(end_ns=end_ns, column_ns=column_ns, columns=columns)


def draw_presence(view: SessionView, width: int, height: int, first: int, length_s: int, back_ns: int) -> list[Line]:
    """Draw the area; its rows stand beside those of the roll call.

    Parameters
    ----------
    first : index of the uppermost controller shown
    length_s, back_ns : how long a stretch is shown, and how far it ends before now
    """
    window = window_at(view.now_ns, back_ns, length_s, width - 1)
    said = (
        f"{_length_in_words(length_s)}, back {countdown(back_ns)}" if back_ns else f"last {_length_in_words(length_s)}"
    )
    lines = [rule("Strip", line_of((said, Tone.WARN if back_ns else Tone.FAINT)), width)]
    rows = rows_between(view.controllers, height, first)
    lines += [fit(_strokes(row, view, window), width) for row in rows]
    lines += [fit((), width)] * (height - 2 - len(lines))
    return [*lines[: max(1, height - 2)], _marks(view, window, width), _axis(window, back_ns, width)][:height]


def _strokes(row: ControllerRow, view: SessionView, window: Window) -> Line:
    """Draw one controller, column by column, joining columns of one tone."""
    pieces: list[tuple[str, Tone]] = []
    spans = _within(row.spans, window)
    k = 0
    for column in range(window.columns):
        low = window.start_ns + column * window.column_ns
        high = low + window.column_ns
        while k < len(spans) and spans[k].to_ns <= low:
            k += 1
        stroke, tone = _stroke(spans[k:], view.gaps, low, min(high, view.now_ns))
        if pieces and pieces[-1][1] is tone:
            pieces[-1] = (pieces[-1][0] + stroke, tone)
        else:
            pieces.append((stroke, tone))
    return tuple(pieces)


def _within(spans: Sequence[StripSpan], window: Window) -> Sequence[StripSpan]:
    first = bisect_right(spans, window.start_ns, key=lambda span: span.to_ns)
    last = bisect_right(spans, window.end_ns, key=lambda span: span.from_ns)
    return spans[first:last]


def _stroke(spans: Sequence[StripSpan], gaps: Sequence[tuple[int, int]], low: int, high: int) -> tuple[str, Tone]:
    """Draw one column: what troubles most is what it shows."""
    if high <= low:
        return _BEFORE, Tone.FAINT
    if sum(_overlap(from_ns, to_ns, low, high) for from_ns, to_ns in gaps) * 2 > high - low:
        return NOT_HEARD.stroke, NOT_HEARD.tone
    cover: dict[str, int] = {}
    signs: dict[str, Sign] = {}
    times: Counter[str] = Counter()
    for span in spans:
        if span.from_ns >= high:
            break
        sign = _sign(span)
        signs[sign.word] = sign
        times[sign.word] += 1
        cover[sign.word] = cover.get(sign.word, 0) + _overlap(span.from_ns, span.to_ns, low, high)
    for word in _WORST_FIRST:
        if cover.get(word):
            sign = signs[word]
            partly = word in _ABSENT and (cover[word] * 2 <= high - low or times[word] > 1)  # heard in between
            return (_PARTLY if partly else sign.stroke), sign.tone
    return _BEFORE, Tone.FAINT


def _sign(span: StripSpan) -> Sign:
    absent = span.state in (ControllerState.LOST, ControllerState.NEVER_SEEN)
    return OFF if span.expected and absent else STATES[span.state]


_ABSENT = (STATES[ControllerState.LOST].word, OFF.word)
_WORST_FIRST = (
    *_ABSENT,
    *(
        STATES[state].word
        for state in (
            ControllerState.LATE,
            ControllerState.RESTARTING,
            ControllerState.STARTING,
            ControllerState.STEADY,
            ControllerState.NEVER_SEEN,
        )
    ),
)


def _overlap(from_ns: int, to_ns: int, low: int, high: int) -> int:
    return max(0, min(to_ns, high) - max(from_ns, low))


def _marks(view: SessionView, window: Window, width: int) -> Line:
    """Write the letters of what was done under the moments at which it was; a later one moves aside if it must."""
    row = [" "] * window.columns
    for action in view.actions:
        column = window.column_of(action.time_ns)
        if not 0 <= column < window.columns:
            continue
        free = next((c for c in range(column, window.columns) if row[c] == " "), None)
        if free is not None:
            row[free] = LETTERS[action.kind]
    return fit(line_of(("".join(row), Tone.STRONG)), width)


def _axis(window: Window, back_ns: int, width: int) -> Line:
    start = f"-{countdown(window.columns * window.column_ns + back_ns)}"
    end = f"-{countdown(back_ns)}" if back_ns else "now"
    return fit(line_of((start + end.rjust(window.columns - len(start)), Tone.FAINT)), width)


def _length_in_words(length_s: int) -> str:
    """Write the length of the strip.

    >>> [_length_in_words(s) for s in (30, 120, 3600)]
    ['30 s', '2 min', '1 h']
    """
    if length_s < 60:
        return f"{length_s} s"
    return f"{length_s // 60} min" if length_s < 3600 else f"{length_s // 3600} h"
