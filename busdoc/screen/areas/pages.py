"""Whole pages: cautions on entry, help, the numbers to tape on, and the check that all is back."""

from collections.abc import Callable, Sequence
from datetime import tzinfo
from enum import StrEnum

from busdoc.actions.action import Origin
from busdoc.actions.words import done_in_words
from busdoc.analysis.result import USUAL_CAUTIONS
from busdoc.health.controller import ControllerState
from busdoc.live.view import SessionView
from busdoc.screen.drawing.lines import Area, Line, fit, line_of, pad, rule, wrap
from busdoc.screen.drawing.states import OFF, STATES
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import moment
from busdoc.screen.keys import COMMANDS, Command
from busdoc.words.counting import counted
from busdoc.words.printable import printable

__all__ = ["Page", "PageArea", "draw_page"]


class Page(StrEnum):
    """Which page."""

    CAUTIONS = "cautions"
    HELP = "help"
    LABELS = "labels"
    CHECK = "check"
    DONE = "done"
    """What was done, to be corrected."""
    PHONE = "phone"
    """What lets a phone in."""
    LEAVE = "leave"
    """The check, on the way out."""


class PageArea(Area):
    """A page in place of the areas."""


def draw_page(
    page: Page,
    view: SessionView,
    width: int,
    height: int,
    first: int = 0,
    *,
    chosen: int | None = None,
    zone: tzinfo | None = None,
    phone: Sequence[str] = (),
) -> list[Line]:
    """Draw a page.

    Parameters
    ----------
    first : index of the uppermost line shown, of a page that is longer than the area
    chosen : number of the action that is marked in the list of what was done
    zone : of the times of day; None: the laptop's own
    phone : what lets a phone in, as lines
    """
    body: Sequence[Line]
    if page is Page.PHONE:
        title, body, foot = "Page on the phone", _phone(phone, width), "any key: back"
    elif page is Page.DONE:
        title, body, foot = _done(view, width, chosen, zone)
        marked = next((k for k, line in enumerate(body) if line and line[0][0].startswith(" ►")), 0)
        first = max(0, marked - height // 2)
    else:
        title, body, foot = _PAGES[page](view, width)
    room = max(1, height - 2)
    first = max(0, min(first, len(body) - room))
    shown = list(body[first : first + room])
    more = len(body) - first - len(shown)
    lines = [rule(title, line_of((f"{counted(more, 'more line')} ↓", Tone.WARN)) if more > 0 else (), width)]
    lines += [fit(line, width) for line in shown]
    lines += [fit((), width)] * (height - 1 - len(lines))
    return [*lines, fit(line_of((f" {foot}", Tone.DO)), width)][:height]


_CODE = frozenset(" ▀▄█")

Drawn = tuple[str, Sequence[Line], str]


def _cautions(view: SessionView, width: int) -> Drawn:
    body: list[Line] = [()]
    for caution in dict.fromkeys((*view.cautions, *USUAL_CAUTIONS)):
        body += [((" ", Tone.PLAIN), *row) for row in wrap(f"! {caution}", width - 2, indent="  ")]
        body.append(())
    body += wrap(" busdoc only listens: it sends nothing on any bus.", width)
    return "Before you begin", body, "Space: I have read this"


_FIRST = (
    Command.STEP,
    Command.UNPLUG,
    Command.PLUG,
    Command.POWER_OFF,
    Command.POWER_ON,
    Command.POWER_CYCLE,
    Command.SWAP,
    Command.WIGGLE,
    Command.REPLACE,
    Command.SEEN,
    Command.MARK,
    Command.AGO,
    Command.UNDO,
    Command.DONE,
)
_SECOND = (
    Command.TAKE,
    Command.REFUSE,
    Command.ITS_LEAD,
    Command.OTHER,
    Command.LABELS,
    Command.CHECK,
    Command.RENAME,
    Command.BIG,
    Command.ONE_AREA,
    Command.NEARER,
    Command.EARLIER,
    Command.UP,
    Command.TREE_UP,
    Command.QUIT,
)
_PAIRS = {
    Command.NEARER: ("+ -", "strip: shorter, longer"),
    Command.EARLIER: ("← → End", "strip: earlier, later, now"),
    Command.UP: ("↑ ↓", "roll call and strip up, down"),
    Command.TREE_UP: ("[ ]", "harness up, down"),
    Command.STEP: ("Space", "step done (also Enter, PgDn)"),
    Command.SEEN: ("f g v", "it shows, is gone; another one"),
    Command.MARK: ("m t", "mark this moment, write a note"),
    Command.UNDO: ("z Z", "undo the last (PgUp), redo it"),
    Command.BIG: ("b d", "big view; black on white"),
    Command.ITS_LEAD: ("1 2 3", "nobody heard: what it is"),
    Command.LABELS: ("l P", "numbers to tape on; the phone"),
    Command.DONE: ("j", "what was done, to correct"),
}


def _help(view: SessionView, width: int) -> Drawn:
    half = (width - 2) // 2
    body: list[Line] = []
    for left, right in zip(_FIRST, _SECOND, strict=True):
        if width >= 70:
            body.append((*_key(left, half), *_key(right, half)))
        else:
            body += [_key(left, width - 1), _key(right, width - 1)]
    # at the machine nobody has left for good yet: `went off` is the recording's word
    signs = [*(sign for state, sign in STATES.items() if state is not ControllerState.OFF), OFF]
    strokes = [(s.stroke, s.word) for s in signs if s.stroke.strip() and s is not STATES[ControllerState.NOT_JUDGED]]
    strokes += [("╌", "partly"), ("?", "not heard")]
    body += wrap(" Part: a few letters or its label number, then Enter; a sole match needs none.", width)
    body.append(line_of(" ", *(piece for s in signs for piece in ((s.mark, s.tone), (f" {s.word} ", Tone.PLAIN)))))
    body += wrap(" Strip: " + " ".join(f"{stroke} {word}" for stroke, word in strokes), width)
    body += wrap(" off: away because of what was done.  Parts: ■ in, □ OUT, ○ off, #3 label.", width)
    body += wrap(" Bell: 1 loss, 2 back or cured, 4 HANDS OUT.  clear: the wait has earned it.", width)
    return "Keys and signs", body, "any key: back"


def _key(command: Command, width: int) -> Line:
    shown, does = _PAIRS.get(command, (COMMANDS[command].shown, COMMANDS[command].does))
    return line_of((f" {shown:<8}", Tone.KEY), pad(does, width - 9))


def _labels(view: SessionView, width: int) -> Drawn:
    labelled = sorted((row.label, row.name) for row in view.harness if row.label is not None)
    body: list[Line] = [*wrap(" Tape each number onto the plug and onto its socket, and take a photograph.", width), ()]
    columns = max(1, (width - 1) // 26)
    height = -(-len(labelled) // columns)
    for y in range(height):
        row = [labelled[k] for k in range(y, len(labelled), height)]
        body.append(
            tuple(piece for n, name in row for piece in ((f" {f'#{n}':>4} ", Tone.STRONG), (pad(name, 20), Tone.PLAIN)))
        )
    if not labelled:
        body += wrap(" No connector is known yet: unplug one with u, and name it.", width)
    return "Numbers to tape on", body, "any key: back"


def _check(view: SessionView, width: int) -> Drawn:
    return "Is all back where it came from?", _not_back(view, width), "any key: back"


def _leave(view: SessionView, width: int) -> Drawn:
    return "Not all is back where it came from", _not_back(view, width), "q: leave all the same    any other key: stay"


def _done(view: SessionView, width: int, chosen: int | None, zone: tzinfo | None) -> Drawn:
    body: list[Line] = []
    for action in reversed(view.actions):
        at = moment(action.time_ns, view.start_ns, epoch=view.epoch, zone=zone)
        mark = "►" if action.n == chosen else " "
        who = "" if action.origin is Origin.JOURNAL else "  (the traffic showed it)"
        tone = Tone.DO if action.n == chosen else Tone.PLAIN
        body.append(line_of((f" {mark} {at}  {printable(done_in_words(action))}{who}", tone)))
    if not body:
        body = [(), *wrap(" Nothing was logged yet.", width)]
    return (
        "What was done, latest first",
        body,
        "↑ ↓ choose  a earlier  p part  t note  x strike out  any other key: back",
    )


def _phone(texts: Sequence[str], width: int) -> list[Line]:
    body: list[Line] = []
    for text in texts:
        is_code = not text.strip() or set(text) <= _CODE
        body += [line_of((text, Tone.STRONG))] if is_code else wrap(f" {text}", width - 1)
    return body


def _not_back(view: SessionView, width: int) -> list[Line]:
    if not view.not_back:
        return [(), *wrap(" ■ All is plugged in, switched on, and where it came from.", width, Tone.GOOD)]
    body: list[Line] = [()]
    for sentence in view.not_back:
        body += [((" ", Tone.PLAIN), *row) for row in wrap(f"□ {sentence}", width - 2, Tone.WARN, indent="  ")]
    return body


_PAGES: dict[Page, Callable[[SessionView, int], Drawn]] = {
    Page.CAUTIONS: _cautions,
    Page.HELP: _help,
    Page.LABELS: _labels,
    Page.CHECK: _check,
    Page.LEAVE: _leave,
}
