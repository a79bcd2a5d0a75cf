"""The presence strip: one controller's presence over the capture, drawn in a given number of characters."""

from collections.abc import Sequence

from busdoc.health.controller import ControllerHealth, heard_span
from busdoc.health.incident import Gap
from busdoc.times import SECOND_NS

__all__ = ["ASCII", "SHADED", "Glyphs", "draw_axis", "draw_marks", "draw_strip"]

Glyphs = tuple[str, str, str, str]
"""Present, absent, partly absent, nothing recorded."""

SHADED: Glyphs = ("━", "·", "╌", "?")
ASCII: Glyphs = ("#", ".", "+", "?")


def draw_strip(
    controller: ControllerHealth,
    gaps: Sequence[Gap],
    start_ns: int,
    until_ns: int,
    width: int,
    glyphs: Glyphs = SHADED,
) -> str:
    """Draw one line of `width` characters; a column that holds any absence shows it, however short.

    One that was away several times within a column was heard in between: partly absent, however short that was. A
    column before its first frame, or after its last one where nobody can call it absent, is blank.

    Parameters
    ----------
    gaps : stretches in which nothing was recorded; they are drawn as such and not as absences
    """
    present, absent, partly, unknown = glyphs
    if controller.first_ns is None:
        return absent * width
    until_ns = max(until_ns, start_ns + width)  # one frame alone: it was heard, and nothing else is known
    column_ns = (until_ns - start_ns) // width
    from_ns, to_ns = heard_span(controller)
    line = []
    for k in range(width):
        low = start_ns + k * column_ns
        high = until_ns if k == width - 1 else low + column_ns
        away = [span for span in controller.absences if span[0] < high and span[1] > low]
        away_ns = _covered_ns(away, low, high)
        if _covered_ns([(gap.from_ns, gap.to_ns) for gap in gaps], low, high) * 2 > high - low:
            line.append(unknown)
        elif not away_ns and (high <= from_ns or low > to_ns):
            line.append(" ")
        elif away_ns * 2 > high - low and len(away) == 1:
            line.append(absent)
        else:
            line.append(partly if away_ns else present)
    return "".join(line)


def _covered_ns(spans: Sequence[tuple[int, int]], low: int, high: int) -> int:
    return sum(max(0, min(high, to_ns) - max(low, from_ns)) for from_ns, to_ns in spans)


def draw_marks(
    marks: Sequence[tuple[int, str]], start_ns: int, until_ns: int, width: int, most: int | None = None
) -> list[str]:
    """Write short marks under the moments that they belong to, on as many lines as they need.

    Where they need more than `most` lines, so many and one more are given: nobody draws them.

    >>> draw_marks([(0, "1"), (50, "2"), (52, "3")], 0, 100, 20)
    ['1         2         ', '          3         ']
    """
    lines: list[list[str]] = []
    column_ns = max(1, (until_ns - start_ns) // width)
    for t_ns, text in marks:
        at = min(max((t_ns - start_ns) // column_ns, 0), width - len(text))
        for line in lines:
            around = line[max(0, at - 1) : at + len(text) + 1]
            if all(letter == " " for letter in around):
                break
        else:
            if most is not None and len(lines) > most:
                break
            line = [" "] * width
            lines.append(line)
        line[at : at + len(text)] = text
    return ["".join(line) for line in lines]


def draw_axis(start_ns: int, until_ns: int, width: int) -> str:
    """Write the length of the capture under its strip: 0 at the left, the end at the right.

    >>> draw_axis(0, 90 * 10**9, 24)
    '0:00                1:30'
    """
    end_s = round((until_ns - start_ns) / SECOND_NS)
    end = (
        f"{end_s // 3600}:{end_s % 3600 // 60:02d}:{end_s % 60:02d}"
        if end_s >= 3600
        else f"{end_s // 60}:{end_s % 60:02d}"
    )
    start = "0:00:00" if end_s >= 3600 else "0:00"
    return start + end.rjust(width - len(start))
