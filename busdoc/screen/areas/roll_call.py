"""Roll call: each controller on a line with its mark, name, state in a word, since when, and its last fault."""

from collections.abc import Sequence

from busdoc.capture.listening import Hearing
from busdoc.health.controller import ControllerState
from busdoc.live.view import ControllerRow, SessionView
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, pad, rule, shorten, shorten_apart
from busdoc.screen.drawing.states import OFF, STATES, sign_of
from busdoc.screen.drawing.styles import Tone
from busdoc.words.duration import in_column

__all__ = ["FOOT_ROWS", "RollCall", "draw_roll", "draw_row", "rows_below", "rows_between"]

FOOT_ROWS = 2
"""Under the controllers: what is out of sight; the strip beside has its marks and its times there."""
_MOST_NAME = 24
_WORD = max(len(sign.word) for sign in (*STATES.values(), OFF))
_SINCE = 6


class RollCall(Area):
    """The controllers."""


def draw_roll(view: SessionView, width: int, height: int, first: int) -> list[Line]:
    """Draw the area.

    Parameters
    ----------
    first : index of the uppermost controller shown
    """
    rows = rows_between(view.controllers, height, first)
    names = [len(row.name) for row in view.controllers]
    name_width = max(8, min(max(names, default=8), _MOST_NAME, width - 2 - _WORD - _SINCE - 5 - max(0, width // 4)))
    short = shorten_apart([row.name for row in view.controllers], name_width)
    unheard = any(bus.hearing is Hearing.ADAPTER_LOST for bus in view.buses)
    aside = line_of(("as last heard", Tone.WARN)) if unheard else line_of(_in_short(view.controllers))
    lines = [rule("Roll call", aside, width)]
    lines += [draw_row(row, view.now_ns, width, pad(short[row.name], name_width)) for row in rows]
    if not view.controllers:
        said = "nobody heard yet" if view.buses else "no bus is listened to"
        lines.append(fit(line_of((f"  {said}", Tone.FAINT)), width))
    lines += [fit((), width)] * (height - FOOT_ROWS - len(lines))
    return [*lines[: max(1, height - FOOT_ROWS)], *_out_of_sight(view.controllers, rows, first, width)][:height]


def rows_below(n: int, height: int) -> int:
    """Give the greatest index that the uppermost controller may have, of `n` in an area of `height` lines."""
    return max(0, n - max(1, height - 1 - FOOT_ROWS))


def rows_between(controllers: Sequence[ControllerRow], height: int, first: int) -> Sequence[ControllerRow]:
    """Give the controllers that are in sight."""
    return controllers[first : first + max(1, height - 1 - FOOT_ROWS)]


def draw_row(row: ControllerRow, now_ns: int, width: int, name: str) -> Line:
    """Draw one controller.

    Parameters
    ----------
    name : as it is written, in the width of its column
    """
    sign = sign_of(row)
    loud = sign.tone is Tone.BAD
    for_how_long = "" if row.since_ns is None else in_column(now_ns - row.since_ns)
    fault = "" if row.last_fault == "lost" else row.last_fault  # its state says so already
    fault = fault or (f"fell {row.dropouts}×" if row.dropouts else "")
    return fit(
        line_of(
            (f" {sign.mark} ", sign.tone),
            (name, Tone.STRONG if loud else Tone.PLAIN),
            "  ",
            (f"{sign.word:<{_WORD}}", Tone.ALARM if loud else sign.tone),
            (f" {for_how_long:>{_SINCE}}", Tone.PLAIN if loud else Tone.FAINT),
            (f"  {shorten(fault, 400)}" if fault else "", Tone.PLAIN),
        ),
        width,
    )


def _in_short(controllers: Sequence[ControllerRow]) -> tuple[str, Tone]:
    """Say how many are in step, and name who is not."""
    lost = [row.name for row in controllers if row.state is ControllerState.LOST and not row.expected_off]
    steady = sum(row.state is ControllerState.STEADY for row in controllers)
    text = f"{steady} of {len(controllers)} steady"
    if not controllers:
        return "", Tone.FAINT
    restarting = sum(row.state is ControllerState.RESTARTING for row in controllers)
    if restarting and not lost:
        return f"{text}, {restarting} restarting over and over", Tone.BAD
    if not lost:
        return text, Tone.GOOD if steady == len(controllers) else Tone.FAINT
    return f"{text}, {len(lost)} LOST", Tone.BAD


def _out_of_sight(
    controllers: Sequence[ControllerRow], rows: Sequence[ControllerRow], first: int, width: int
) -> list[Line]:
    above, below = controllers[:first], controllers[first + len(rows) :]
    return [
        fit(_hidden("▲", above, "above") if above else (), width),
        fit(_hidden("▼", below, "below") if below else (), width),
    ]


def _hidden(arrow: str, controllers: Sequence[ControllerRow], where: str) -> Line:
    lost = [row.name for row in controllers if row.state is ControllerState.LOST and not row.expected_off]
    text = f" {arrow} {len(controllers)} more {where}"
    return line_of((text, Tone.FAINT), (f", LOST: {', '.join(lost)}" if lost else "", Tone.BAD))
