"""The short page on the terminal, in at most 25 lines: verdict, reasons, what was done, what to do, the picture.

The full text begins with the same lines.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.analysis.overview import in_step_identifiers
from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import IncidentKind
from busdoc.report.terminal.strip import ASCII, SHADED, draw_axis, draw_marks, draw_strip
from busdoc.report.terminal.wrapping import filled
from busdoc.report.words.brief import brief_of

__all__ = ["MOST_LINES", "ShortPage", "picture_of", "short_page", "state_of", "troubled_controllers"]

MOST_LINES = 25
"""A screen of a terminal, by its usual size."""
_MOST_FOUND = 7
_MOST_WARNED = 2
_MOST_REASONS = 6
_MOST_NEXT = 4
_MOST_DRAWN = 4
_ROOM_FOR_PICTURE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortPage:
    """The short page; with the blank lines between its paragraphs it is at most 25 lines."""

    paragraphs: tuple[str, ...]
    drawn: tuple[ControllerHealth, ...]
    """Those in its picture, for which there may be no room."""
    warning: str
    """The warning that stands on it whole; empty: none does."""


def short_page(result: Result, width: int, unicode: bool) -> ShortPage:
    """Fill the short page: what is told comes first, cautions before all else, and the picture gets what is left."""
    brief = brief_of(result)
    found = _first_lines(filled(brief.found, width), _MOST_FOUND, width)
    parts = [found, filled(brief.machine, width).splitlines()]
    warned = filled(f"! {brief.warning}", width, "", "  ") if brief.warning else ""
    if warned:
        parts.append(_first_lines(warned, _MOST_WARNED, width))
    reasons: list[str] = []
    for reason in brief.why:
        lines = filled(reason, width, "  ", "    ").splitlines()
        if len(reasons) + len(lines) <= _MOST_REASONS:
            reasons += lines
    for title, lines in (
        ("Why", reasons),
        ("Done", _first_lines(filled(f"Done: {brief.done}", width, "", "  "), 2, width) if brief.done else []),
        (
            "Next",
            _first_lines(filled(f"Next: {brief.next_step}", width, "", "  "), _MOST_NEXT, width)
            if brief.next_step
            else [],
        ),
    ):
        if lines:
            parts.append([title, *lines] if title == "Why" else lines)
    for caution in brief.cautions:  # whole, below the step that they belong to
        parts[-1] += filled(f"! {caution}", width, "  ", "    ").splitlines()
    while _lines_of(parts) > MOST_LINES - _ROOM_FOR_PICTURE and len(reasons) > 1:
        reasons.pop()
        parts = [["Why", *reasons] if part[0] == "Why" else part for part in parts]
    if _lines_of(parts) > MOST_LINES:
        parts = [part for part in parts if not part[0].startswith("Done: ")]
    if (over := _lines_of(parts) - MOST_LINES) > 0:
        parts[0] = _first_lines("\n".join(found), max(1, len(found) - over), width)
    used = _lines_of(parts)
    drawn = troubled_controllers(result)[: max(0, min(_MOST_DRAWN, MOST_LINES - used - 3))]
    if drawn:
        picture = picture_of(result, drawn, width, unicode=unicode, more=len(drawn), mark_rows=1).splitlines()
        if len(picture) <= MOST_LINES - used:
            parts.append(picture)
        else:
            drawn = ()
    whole = len(warned.splitlines()) <= _MOST_WARNED
    return ShortPage(
        paragraphs=tuple("\n".join(part) for part in parts), drawn=drawn, warning=brief.warning if whole else ""
    )


def _lines_of(parts: Sequence[Sequence[str]]) -> int:
    """Count the lines of paragraphs, with the blank one after each."""
    return sum(len(part) + 1 for part in parts)


_LEAST_STRIP = 12
"""Columns of the picture that still tell something."""


def _first_lines(text: str, most: int, width: int) -> list[str]:
    """Give the first lines of a text, cut after a whole word; there is room for three dots, where the sign is none."""
    lines = text.splitlines()
    if len(lines) <= most:
        return lines
    last = lines[most - 1]
    while len(last.rstrip(".,; ")) + 4 > width and " " in last.strip():
        last = last.rstrip().rpartition(" ")[0]
    return [*lines[: most - 1], f"{last.rstrip('.,; ')} …"]


def troubled_controllers(result: Result) -> tuple[ControllerHealth, ...]:
    """Give the controllers in whose trouble nobody's action answers, the most troubled first; as many as are drawn."""
    count: dict[str, int] = {}
    for n in result.trouble.incidents:
        for name in result.incidents[n].controllers:
            count[name] = count.get(name, 0) + 1
    for code in result.trouble.codes:
        count.setdefault(code.controller, 0)
    for name in sorted(result.trouble.not_as_it_should):
        count.setdefault(name, 0)
    bare = in_step_identifiers(result.health.controllers)
    known = [one for one in result.health.controllers if one.name in count and one not in bare]
    return tuple(sorted(known, key=lambda one: -count[one.name])[:_MOST_DRAWN])


def state_of(result: Result, controller: ControllerHealth) -> str:
    """Say in a few words how a controller fared; a silence of its whole bus counts, what was switched off apart."""
    silences = sum(
        one.kind is IncidentKind.BUS_SILENCE and controller.name in one.controllers for one in result.incidents
    )
    # What was done to the machine took it away: no fall, and no trouble.
    taken = sum(
        because.expected and one.kind is IncidentKind.DROPOUT and controller.name in one.controllers
        for one, because in zip(result.incidents, result.because, strict=True)
    )
    fell = max(controller.dropouts - taken, 0)
    falls = f", fell {fell}x" if fell else ""
    falls += f", taken away {taken}x" if taken else ""
    if silences and not falls:
        falls = f", silent with its bus {silences}x"
    elif silences and controller.state is not ControllerState.NEVER_SEEN:
        falls += f", with its bus {silences}x"
    if controller.name in result.trouble.not_as_it_should:
        falls += ", not back as it should"
    return f"{controller.state}{falls}"


def picture_of(
    result: Result,
    shown: Sequence[ControllerHealth],
    width: int,
    *,
    unicode: bool,
    more: int,
    mark_rows: int = 4,
) -> str:
    """Draw the presence of some controllers, with what was done and which codes came under it.

    Parameters
    ----------
    shown : who is drawn
    width : of the line, characters
    unicode : whether the terminal has more than ASCII
    more : how many there are
    mark_rows : lines for the numbers of the actions; where they do not all fit, each is a mark without its number
    """
    health = result.health
    states = [state_of(result, one) for one in shown]
    name_width = min(max(len(c.name) for c in shown), 22, max(10, width // 4))
    strip_width = max(_LEAST_STRIP, width - name_width - max(16, 4 + max(map(len, states))))
    glyphs = SHADED if unicode else ASCII
    gaps = [gap for gap in health.gaps if gap.channel is None]
    strips = [draw_strip(one, gaps, health.start_ns, health.until_ns, strip_width, glyphs) for one in shown]
    drawn = ("heard", "silent", "partly silent", "not recorded")
    used = set("".join(strips))
    signs = [f"{glyph} {word}" for glyph, word in zip(glyphs, drawn, strict=True) if glyph in used]
    signs += ["blank not heard yet or no more"] if " " in used else []
    lines = [filled(f"Controllers ({', '.join(signs)})", width, "", "  ")]
    for controller, strip, state in zip(shown, strips, states, strict=True):
        name = controller.name if len(controller.name) <= name_width else controller.name[: name_width - 1] + "~"
        line = f"  {name:<{name_width}} {strip} {state}"
        lines.append(line if len(line) <= width else line.rpartition(",")[0])  # how often is told below
    pad = " " * (name_width + 3)
    marks = [(action.time_ns, str(action.n)) for action in result.actions]
    if marks:
        rows = draw_marks(marks, health.start_ns, health.until_ns, strip_width, mark_rows)
        if len(rows) > mark_rows:
            column_ns = max(1, (health.until_ns - health.start_ns) // strip_width)
            at = {min(max((t_ns - health.start_ns) // column_ns, 0), strip_width - 1) for t_ns, _ in marks}
            rows = ["".join("|" if k in at else " " for k in range(strip_width))]
        lines += [f"  {'actions' if k == 0 else '':<{name_width}} {row}".rstrip() for k, row in enumerate(rows)]
    if result.codes and mark_rows > 1:
        raised = [(code.first_ns, "!") for code in sorted(result.codes, key=lambda code: code.first_ns)]
        rows = draw_marks(raised, health.start_ns, health.until_ns, strip_width, 2)[:2]
        lines += [f"  {'codes' if k == 0 else '':<{name_width}} {row}".rstrip() for k, row in enumerate(rows)]
    lines.append(pad + draw_axis(health.start_ns, health.until_ns, strip_width))
    if more > len(shown):
        lines.append(f"  and {more - len(shown)} more (--json has them all)")
    return "\n".join(lines)
