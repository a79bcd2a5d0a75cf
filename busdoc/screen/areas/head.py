"""The lines around the areas: machine and buses on top, troubles, what was last logged, and which keys matter now."""

from datetime import tzinfo

from busdoc.capture.listening import Hearing
from busdoc.health.controller import ControllerState
from busdoc.live.view import SessionView, SilenceRow
from busdoc.report.words.practice import PRACTICE_MARK
from busdoc.report.words.silence import WHAT_IT_WAS
from busdoc.screen.areas.pages import Page
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, plain, shorten, width_of, wrap
from busdoc.screen.drawing.states import OFF, sign_of
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import bus_name, bus_trouble, moment
from busdoc.times import SECOND_NS
from busdoc.words.duration import in_column
from busdoc.words.printable import printable

__all__ = ["Bar", "draw_head", "draw_hints", "draw_message", "draw_offer", "draw_troubles", "trouble_texts"]

_MOST_TROUBLES = 3
_AS_ONE_NS = SECOND_NS
"""Who fell within so long of the last frame of all fell with it (common practice)."""


class Bar(Area):
    """A line, or a few, across the whole screen."""


def draw_head(view: SessionView, width: int, zone: tzinfo | None) -> Line:
    """Draw the top line: machine, buses, recording, clock."""
    clock = moment(view.now_ns, view.start_ns, epoch=view.epoch, zone=zone)
    loads = dict(view.loads)
    pieces = [shorten(view.machine_name, 28)] if view.machine_name else ["busdoc"]
    for bus in view.buses:
        share = loads.get(bus.name, loads.get(bus_name(bus)))
        load = "" if share is None else f", {share * 100:.0f} % load"
        pieces.append(f"{bus_name(bus)} {bus.hearing}{load}")
    if view.finished:
        pieces.append("the recording is over")
    if view.recording:
        pieces.append(view.recording)
    mark: list[tuple[str, Tone]] = [(f" {PRACTICE_MARK} ", Tone.ALARM)] if view.practice else []
    taken = sum(len(text) for text, _ in mark) + len(clock) + 1
    while len(pieces) > 2 and sum(len(piece) + 3 for piece in pieces) + taken > width:
        pieces.pop()
    left = fit(
        line_of(*mark, (f" {pieces[0]}", Tone.STRONG), (f" · {' · '.join(map(printable, pieces[1:]))}", Tone.FAINT)),
        width - len(clock) - 1,
    )
    return (*left, (clock, Tone.STRONG), (" ", Tone.PLAIN))


def draw_troubles(view: SessionView, width: int) -> list[Line]:
    """Draw what the session suffers from: a line each that cannot be missed."""
    lines: list[Line] = []
    for text in trouble_texts(view)[:_MOST_TROUBLES]:
        rows = wrap(f"!! {text}", width - 2, Tone.ALARM, most=_MOST_TROUBLES, indent="   ")
        lines += [((f" {plain(row)}".ljust(width), Tone.ALARM),) for row in rows]
    return lines


def trouble_texts(view: SessionView) -> list[str]:
    """Say what the session suffers from, what is most pressing first."""
    texts = [text for text in (view.alarm, view.foreign, view.trouble) if text]
    asked = view.silence is not None and view.silence.asked  # the question says it
    for bus in view.buses:
        text = bus_trouble(bus, in_column(view.now_ns - bus.since_ns))
        if text and not (bus.hearing is Hearing.SILENT and (asked or _is_switched_off(view, bus.since_ns))):
            texts.append(text)
    return texts


def _is_switched_off(view: SessionView, silent_ns: int) -> bool:
    """Whether a bus is silent because its machine was switched off; who was lost before that stays so meanwhile."""
    off = [row for row in view.controllers if sign_of(row) is OFF]
    others = [row for row in view.controllers if sign_of(row) is not OFF]
    return bool(off) and all(
        row.state is ControllerState.LOST and row.since_ns is not None and row.since_ns < silent_ns - _AS_ONE_NS
        for row in others
    )


def draw_offer(view: SessionView, width: int, zone: tzinfo | None, *, labels: bool) -> list[Line]:
    """Draw what is offered: an action that the traffic looks like, or numbers to tape on.

    Parameters
    ----------
    labels : numbers are worth offering now
    """
    if view.silence is not None and view.silence.asked:
        return _silence(view.silence, view.now_ns, width)
    if view.proposals:
        proposal = view.proposals[0]
        more = f" +{len(view.proposals) - 1}" if len(view.proposals) > 1 else ""
        tail = line_of(("  y", Tone.KEY), " yes", ("  n", Tone.KEY), f" no{more} ")
        at = moment(proposal.action.time_ns, view.start_ns, epoch=view.epoch, zone=zone)
        said = line_of((f" ? {at} ", Tone.WARN), (printable(proposal.text), Tone.STRONG))
        head = fit(said, max(8, width - width_of(tail)))
        return [fit((*head, *tail), width)]
    if labels:
        offer = line_of(
            (" # ", Tone.WARN), "Before the first connector is pulled: ", ("l", Tone.KEY), " gives numbers to tape on"
        )
        return [fit(offer, width)]
    return []


def _silence(silence: SilenceRow, now_ns: int, width: int) -> list[Line]:
    """Ask what a silence of everybody is, or was."""
    lead, key, machine = WHAT_IT_WAS
    answers: tuple[tuple[str, str], ...]
    lasts = in_column((now_ns if silence.ended_ns is None else silence.ended_ns) - silence.since_ns).strip()
    if silence.ended_ns is None:
        said, answers = f" ? No frame from anybody for {lasts}: which?", (("1", lead), ("2", key), ("3", machine))
    else:
        said, answers = f" ? All ran on through {lasts} of silence: which?", (("1", lead), ("3", "the bus"))
    keys = [piece for digit, text in answers for piece in ((f"  {digit}", Tone.KEY), (f" {text}", Tone.PLAIN))]
    one = line_of((said, Tone.WARN), *keys)
    if width_of(one) <= width:
        return [fit(one, width)]
    return [fit(line_of((said, Tone.WARN)), width), fit(line_of(*keys), width)]


def draw_message(text: str, tone: Tone, width: int) -> list[Line]:
    """Draw what was logged last on one line; why something could not be logged, on as many as it needs."""
    if tone is not Tone.ALARM:
        return [fit(line_of((f" {printable(text)}", tone)), width)]
    rows = wrap(text, width - 2, tone, most=_MOST_TROUBLES)
    return [((f" {plain(row)}".ljust(width), tone),) for row in rows]


def draw_hints(view: SessionView, width: int, page: Page | None = None) -> Line:
    """Draw the keys that matter most, as many as there is room for."""
    if page is not None:
        return fit(
            line_of((" ↑ ↓", Tone.KEY), (" read on  ", Tone.FAINT), (" q", Tone.KEY), (" leave", Tone.FAINT)), width
        )
    hints = [("Space", "step done"), ("u", "unplug"), ("p", "plug"), ("c", "power cycle"), ("z", "undo")]
    if not view.buses:  # what nobody hears somebody has to see
        hints[1:1] = [("f", "it shows"), ("g", "gone")]
    hints += [("b", "big"), ("h", "help"), ("q", "leave")]
    if any(bus.hearing is Hearing.ENDED for bus in view.buses):
        hints = [("q", "leave"), *hints[:-1]]
    shown: list[tuple[str, Tone]] = []
    for key, does in hints:
        piece = [(f" {key}", Tone.KEY), (f" {does} ", Tone.FAINT)]
        if width_of(tuple(shown)) + width_of(tuple(piece)) > width:
            break
        shown += piece
    return fit(tuple(shown), width)
