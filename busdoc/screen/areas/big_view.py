"""The big view, readable from three metres: the controller in question, the step to do, the countdown."""

import re

from busdoc.live.view import ControllerRow, SessionView
from busdoc.screen.areas.complaint import complaint_state
from busdoc.screen.areas.next_step import wait_in_words
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, shorten, wrap
from busdoc.screen.drawing.pixels import ADVANCE, draw_text, rows_at, wrap_text
from busdoc.screen.drawing.states import OFF, STATES, sign_of
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import step_cautions, step_text, verdict_in_short

__all__ = ["BigView", "draw_big", "in_question", "state_in_short"]

_MOST_SIZE = 4
_WITHOUT_FIGURES = re.compile(r" \([^)]*\)")


class BigView(Area):
    """The same, in block letters."""


def in_question(view: SessionView) -> ControllerRow | None:
    """Give the controller that matters most now: one that is lost, else the one that the suspicion is about."""
    lost = [row for row in view.controllers if sign_of(row).tone is Tone.BAD]
    if lost:
        return next((row for row in lost if row.name == view.focus), lost[0])
    return next((row for row in view.controllers if row.name == view.focus), None)


def draw_big(view: SessionView, width: int, height: int) -> list[Line]:
    """Draw the view, in the largest letters in which all of it fits; the step's cautions are whole before that."""
    small = _small(view, width, height)
    texts = _texts(view)
    for size in range(_MOST_SIZE, 0, -1):
        lines = _drawn(texts, size, width, height - len(small))
        if lines is not None:
            break
    else:
        lines = _squeezed(texts, width, height - len(small))
    lines += [fit((), width)] * (height - len(lines) - len(small))
    return [*lines[: max(0, height - len(small))], *small][:height]


def state_in_short(view: SessionView) -> tuple[str, Tone]:
    """Say how the machine is in two words: of what matters most now."""
    row = in_question(view)
    if view.complaint is not None and (row is None or sign_of(row).tone is not Tone.BAD):
        word, tone = complaint_state(view.complaint)
        return f"{view.complaint.name.split(' of ')[0]} {word}", tone
    if row is not None:
        sign = sign_of(row)
        return f"{row.name} {sign.word}", sign.tone
    if not view.controllers:
        return "nobody heard", Tone.ASIDE
    away = [one for one in view.controllers if sign_of(one) is not STATES[one.state] or sign_of(one) is OFF]
    steady = sum(sign_of(one).tone is Tone.GOOD for one in view.controllers)
    return f"{steady}/{len(view.controllers)} steady", Tone.GOOD if not away else Tone.ASIDE


def _texts(view: SessionView) -> list[tuple[str, Tone]]:
    first = state_in_short(view)
    texts: list[tuple[str, Tone]] = [first]
    if view.next is not None and step_text(view.next):
        texts.append((f"> {step_text(view.next)}", Tone.STRONG))
    elif view.watching is not None:
        texts.append(("watch", Tone.STRONG))
    if view.cured and not view.not_back:
        return [("CURED", Tone.GOOD), *([first] if first[1] is not Tone.GOOD else [])]
    short, named = verdict_in_short(view)
    if named and len(texts) == 1:
        texts.append((_WITHOUT_FIGURES.sub("", short.split(". ")[0]), Tone.BAD))
    left, _ = wait_in_words(view)
    if left:
        texts.append((left, Tone.GOOD if left == "0:00" else Tone.PLAIN))
    return texts


def _drawn(texts: list[tuple[str, Tone]], size: int, width: int, height: int) -> list[Line] | None:
    """Draw all texts in one size; None when they do not fit."""
    letters = (width - 2) // (ADVANCE * size)
    broken = [(wrap_text(text, letters), tone) for text, tone in texts]
    if any(rows is None for rows, _ in broken):
        return None
    blocks = [
        [fit(line_of(" ", (row, tone)), width) for text in rows or [] for row in draw_text(text, size)]
        for rows, tone in broken
    ]
    spare = height - sum(len(block) for block in blocks)
    if spare < 0:
        return None
    between = [fit((), width)] * min(2 * size, spare // len(blocks))
    return [line for block in blocks for line in (*block, *between)]


def _squeezed(texts: list[tuple[str, Tone]], width: int, height: int) -> list[Line]:
    """Draw as many texts as there is room for, one line each, long ones shortened in the middle."""
    letters = max(1, (width - 2) // ADVANCE)
    lines: list[Line] = []
    for text, tone in texts:
        if len(lines) + rows_at(1) > height:
            lines += wrap(text, width - 2, tone, most=max(0, height - len(lines)))
            continue
        lines += [fit(line_of(" ", (row, tone)), width) for row in draw_text(shorten(text, letters))]
    return [fit(line, width) for line in lines]


def _small(view: SessionView, width: int, height: int) -> list[Line]:
    """Write what need not be read from afar: the cautions, never cut, and the verdict where that leaves room."""
    rows: list[Line] = []
    for caution in step_cautions(view.next) if view.next is not None else ():
        rows += [line_of(" ", *row) for row in wrap(f"! {caution}", width - 1, Tone.WARN, indent="  ")]
    short, _ = verdict_in_short(view)
    if len(rows) + 1 + rows_at(1) <= height:
        rows += wrap(f" {short or view.headline}", width, most=1)
    return [fit(row, width) for row in rows]
