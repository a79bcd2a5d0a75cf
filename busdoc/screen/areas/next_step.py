"""Next: the proposed step, the countdown until the exposed parts may be called clear, and the verdict so far."""

from collections.abc import Sequence

from busdoc.live.view import Happening, SessionView
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, rule, wrap
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import step_cautions, step_text, verdict_in_short
from busdoc.times import SECOND_NS
from busdoc.words.duration import countdown

__all__ = ["NextStep", "draw_next", "hold_in_words", "least_height", "said_without_step", "wait_in_words"]

_BAR = 12
_HANDS_OFF = "Hands off, and watch."
_ENOUGH = 99
"""Lines where there is no want of them."""


class NextStep(Area):
    """What to do."""


def draw_next(view: SessionView, width: int, height: int, lately: tuple[tuple[str, Happening], ...] = ()) -> list[Line]:
    """Draw the area; where there is too little room, the step comes first, then the wait, the caution, the verdict.

    Parameters
    ----------
    lately : (time in words, what happened), latest last; shown where room is left
    """
    inner = width - 3
    room = height - 1
    step = _step(view, inner, room)
    wait = _wait(view, inner)
    cautions = _cautions(view, inner, room - len(step))  # whole, before anything else gets room
    wait = wait[: max(0, room - len(step) - len(cautions))]
    room_left = room - len(step) - len(wait) - len(cautions)
    short, named = verdict_in_short(view)
    verdict = wrap(short, inner, Tone.BAD if named else Tone.STRONG, most=min(2, max(0, room_left))) if short else []
    verdict += wrap(_headline_left(view), inner, most=max(0, room_left - len(verdict)))
    after = _after(view, inner, room - len(step) - len(wait) - len(cautions) - len(verdict))
    body = [*step, *after, *cautions, *wait, *verdict]
    spare = room - len(body)
    if lately and spare >= 3:
        body += [(), line_of(("Lately", Tone.TITLE)), *_lately(lately, inner, spare - 2)]
    lines = [rule("Next", line_of(_in_short(view)), width)]
    lines += [fit((("  ", Tone.PLAIN), *line), width) for line in body]
    lines += [fit((), width)] * (height - len(lines))
    return lines[:height]


def _headline_left(view: SessionView) -> str:
    """Give the headline, less what stands above it already: the proof in the place of the step, and the suspects."""
    proof = view.cured if view.cured and not view.not_back else ""
    short, _ = verdict_in_short(view)
    headline = view.headline.removesuffix(proof)
    return " ".join((headline.replace(f"{short}.", "") if short else headline).split())


def least_height(view: SessionView, width: int) -> int:
    """Give the lines that the area needs for the step with all of its cautions; these are never cut."""
    inner = width - 3
    if view.next is None or not step_cautions(view.next) or inner < 2:
        return 0
    return 1 + len(_step(view, inner, _ENOUGH)) + len(_cautions(view, inner, _ENOUGH))


def wait_in_words(view: SessionView) -> tuple[str, str]:
    """Give the wait that is on: (the countdown, what it is for); two empty texts when none is."""
    watching = view.watching
    if watching is None:
        return "", ""
    parts = ", ".join(watching.parts) or "what is plugged in"
    if watching.clear_at_ns is None:
        return "", f"No wait within days would clear {parts}: make it show instead"
    left_ns = watching.clear_at_ns - view.now_ns
    if watching.proves:
        return countdown(max(0, left_ns)), f"quiet so long proves the repair of {parts}"
    if left_ns <= 0:
        return countdown(0), f"Quiet long enough: {parts}"
    return countdown(left_ns), f"quiet so long clears {parts}"


def said_without_step(view: SessionView, answers: str) -> tuple[list[str], Tone]:
    """Say what stands in the place of a step when none is to be done.

    Parameters
    ----------
    answers : how the question about a silence of everybody is answered
    """
    if view.cured:
        if view.not_back:
            return [f"CURED; still to do: {', '.join(view.not_back)}."], Tone.GOOD
        return ["CURED.", view.cured], Tone.GOOD
    if view.watching is not None:
        look = "" if view.complaint is None else view.complaint.asked
        return [f"Hands off, and {look}: does it show?" if look else _HANDS_OFF], Tone.STRONG
    if view.next is not None:
        return [view.next.test.tells], Tone.STRONG
    if view.silence is not None and view.silence.ended_ns is None:
        asked = view.silence.asked
        return [f"Say which it is, {answers}. Nobody is accused." if asked else "Nobody is heard."], Tone.STRONG
    waits = not view.controllers and view.buses  # where no bus is listened to, no frames will come
    return ["Waiting for the first frames." if waits else "Nothing to do now: watch."], Tone.STRONG


def hold_in_words(view: SessionView) -> str:
    """Say how long the power has to stay off still; empty when the step to do now need not wait."""
    until_ns = None if view.next is None else view.next.hold_until_ns
    if until_ns is None or until_ns <= view.now_ns:
        return ""
    return f"Off: {-(-(until_ns - view.now_ns) // SECOND_NS)} s more"


def _step(view: SessionView, width: int, room: int) -> list[Line]:
    text = "" if view.next is None else step_text(view.next)
    if not text:
        said, tone = said_without_step(view, "with 1, 2 or 3")
        most = (
            3
            if tone is Tone.GOOD
            else 1
            if said[0].startswith(_HANDS_OFF[:9])
            else min(2 if view.next is None else 3, room)
        )
        return [row for one in said for row in wrap(one, width, tone, most=most)][:room]
    held = hold_in_words(view)
    if held:
        text = f"{held}, then {text[:1].lower()}{text[1:]}"
    rows = wrap(f"► {text}", width - 2, Tone.DO, most=min(3, room), indent="  ")
    return [tuple((f" {piece} ", tone) for piece, tone in row) for row in rows]


def _after(view: SessionView, width: int, room: int) -> list[Line]:
    """Say which steps follow, as far as there is room."""
    if view.next is None or room <= 0:
        return []
    following = [text[:1].lower() + text[1:] for text in view.next.steps_text[view.next.step + 1 :]]
    for n in range(len(following), 0, -1):
        more = ", …" if n < len(following) else ""
        rows = wrap(f"then {', '.join(following[:n])}{more}", width, Tone.FAINT, indent="  ")
        if len(rows) <= min(2, room):
            return rows
    return []


def _cautions(view: SessionView, width: int, room: int) -> list[Line]:
    if view.next is None or room <= 0:
        return []
    rows: list[Line] = []
    for caution in step_cautions(view.next):
        rows += wrap(f"! {caution}", width, Tone.WARN, most=room - len(rows), indent="  ")
    return rows


def _wait(view: SessionView, width: int) -> list[Line]:
    left, said = wait_in_words(view)
    if not said:
        return []
    watching = view.watching
    if not left or watching is None or watching.clear_at_ns is None:
        return wrap(said, width, Tone.PLAIN, most=2)
    whole = max(1, watching.clear_at_ns - watching.since_ns)
    done = min(_BAR, max(0, (view.now_ns - watching.since_ns) * _BAR // whole))
    first = line_of(
        (f"{left} ", Tone.STRONG), ("█" * done, Tone.GOOD), ("░" * (_BAR - done), Tone.FAINT), (" to wait", Tone.FAINT)
    )
    return [first, *wrap(said, width, most=2)]


def _lately(lately: Sequence[tuple[str, Happening]], width: int, room: int) -> list[Line]:
    """Tell what happened, latest first, each in one line or two."""
    rows: list[Line] = []
    for at, happening in reversed(lately):
        told = wrap(happening.text, width - len(at) - 1, most=2)
        if len(rows) + len(told) > room:
            break
        rows += [line_of((f"{at} " if k == 0 else " " * (len(at) + 1), Tone.FAINT), *row) for k, row in enumerate(told)]
    return rows


def _in_short(view: SessionView) -> tuple[str, Tone]:
    if view.next is None or not view.next.steps_text:
        return "", Tone.FAINT
    n = len(view.next.steps_text)
    if view.next.step >= n:
        return "watching", Tone.GOOD
    return (f"step {view.next.step + 1} of {n}" if n > 1 else "one step"), Tone.FAINT
