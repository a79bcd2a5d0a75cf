"""Harness: the map as a tree; what is plugged and powered now, what is cleared or suspect, and its label number."""

from busdoc.live.tree import BRANCH
from busdoc.live.view import HarnessRow, SessionView
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, pad, rule, wrap
from busdoc.screen.drawing.styles import Tone
from busdoc.words.probability import odds_in_column

__all__ = ["HarnessTree", "draw_harness", "most_first"]

_SUSPECT_FROM = 0.2
_VERDICT = 7
_LABEL = 4
_ON_A_BRANCH = "A branch off the map is its wires and every sensor that hangs on it."


class HarnessTree(Area):
    """The tree."""


def most_first(n: int, height: int) -> int:
    """Give the greatest index that the uppermost of `n` parts may have in an area of `height` lines."""
    return max(0, n - max(1, height - 2))


def draw_harness(view: SessionView, width: int, height: int, first: int) -> list[Line]:
    """Draw the area.

    Parameters
    ----------
    first : index of the uppermost part shown
    """
    room = max(1, height - 1)
    rows = view.harness
    if len(rows) > room:
        room = max(1, height - 2)
    lines = [rule("Harness", line_of(_in_short(view)), width)]
    lines += [_draw_part(row, width) for row in rows[first : first + room]]
    if not rows:
        text = "unplug something: u, and name it" if view.guided else "no map"
        lines.append(fit(line_of((f" {text}", Tone.FAINT)), width))
    if (not rows and view.guided) or any(row.kind == BRANCH for row in rows):
        lines += [fit(row, width) for row in wrap(f" {_ON_A_BRANCH}", width - 1, Tone.FAINT, indent=" ")]
    lines = lines[:height]
    lines += [fit((), width)] * (height - len(lines))
    if len(rows) > room:
        lines[height - 1] = fit(_out_of_sight(rows, first, room), width)
    return lines[:height]


def _draw_part(row: HarnessRow, width: int) -> Line:
    out, dead = not row.plugged, row.plugged and not row.powered
    mark, place, tone = (
        ("□", " OUT", Tone.WARN) if out else ("○", " off", Tone.ASIDE) if dead else ("■", "", Tone.FAINT)
    )
    indent = " " * min(2 * row.depth, 8)
    verdict, verdict_tone = _verdict(row)
    label = "" if row.label is None else f"#{row.label}"
    gap = " " if label and len(verdict) >= _VERDICT else ""
    right = _LABEL + len(place) + len(gap) + _VERDICT + 1
    return fit(
        line_of(
            f" {indent}",
            (f"{mark} ", tone),
            (pad(row.name, max(4, width - 3 - len(indent) - right)), _name_tone(row)),
            (place, tone),
            (f"{label:>{_LABEL}}", Tone.STRONG),
            (f"{gap}{verdict:>{_VERDICT}} ", verdict_tone),
        ),
        width,
    )


def _name_tone(row: HarnessRow) -> Tone:
    if row.kind == "controller":
        return Tone.STRONG
    return Tone.PLAIN


def _verdict(row: HarnessRow) -> tuple[str, Tone]:
    if row.cleared:
        return "clear", Tone.GOOD
    if row.repaired:
        return "renewed", Tone.GOOD
    if row.probability is None:
        return "", Tone.FAINT
    text = odds_in_column(row.probability)
    return (f"! {text}", Tone.BAD) if row.probability >= _SUSPECT_FROM else (text, Tone.FAINT)


def _in_short(view: SessionView) -> tuple[str, Tone]:
    out = sum(not row.plugged for row in view.harness)
    return (f"{out} OUT", Tone.WARN) if out else ("", Tone.FAINT)


def _out_of_sight(rows: tuple[HarnessRow, ...], first: int, room: int) -> Line:
    below = rows[first + room :]
    above = rows[:first]
    text = " ".join(
        piece for piece in (f"▲ {len(above)} above" if above else "", f"▼ {len(below)} below" if below else "") if piece
    )
    suspect = [row.name for row in (*above, *below) if (row.probability or 0.0) >= _SUSPECT_FROM and not row.cleared]
    return line_of((f" {text}", Tone.FAINT), (f"  ! {', '.join(suspect)}" if suspect else "", Tone.BAD))
