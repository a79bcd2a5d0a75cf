"""What each key does to the session, and to what the screen knows beside it. Nothing is drawn here.

Takes keys and ticks; calls the session; keeps the page, the scroll, and what happened lately. What a key logs and
corrects is `busdoc.screen.handling`'s to do.
"""

import time
from collections.abc import Callable, Sequence
from datetime import tzinfo

from busdoc.actions.action import ActionKind
from busdoc.live.bell import Bell
from busdoc.live.event_log import BY_THE_BUS
from busdoc.live.view import Happening, HappeningKind, SessionView, SilenceAnswer
from busdoc.screen.areas.big_view import in_question
from busdoc.screen.areas.pages import Page
from busdoc.screen.asking import Asking
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.handling.acts import Acts
from busdoc.screen.handling.console import Console, Message
from busdoc.screen.handling.corrections import Corrections
from busdoc.screen.keys import BY_KEY, COMMANDS, VERBS, Command
from busdoc.screen.lately import Lately
from busdoc.screen.parts import part_in_question
from busdoc.screen.scroll import Scroll
from busdoc.screen.session import Session

# what was told is part of what this shows
__all__ = ["Message", "ScreenState"]

_VIEW_EVERY_S = 0.2


class ScreenState:
    """What the screen knows beside the session, and the one place that changes it.

    Parameters
    ----------
    session : what runs
    quiet : ring no bell
    zone : of the times of day; None: the laptop's own
    clock_s : a clock that only goes on, s
    phone : gives what lets a phone in, drawn for ink that is darker than its ground or not; None: no page is served
    """

    def __init__(
        self,
        session: Session,
        *,
        quiet: bool = False,
        zone: tzinfo | None = None,
        clock_s: Callable[[], float] = time.monotonic,
        phone: Callable[[bool], Sequence[str]] | None = None,
    ) -> None:
        self.phone = phone
        self._session = session
        self._clock_s = clock_s
        self._bell = Bell(quiet=quiet)
        self._seen = 0
        self._console = Console(session, clock_s, zone)
        self._acts = Acts(self._console)
        self._corrections = Corrections(self._console, self._acts)
        self.page: Page | None = Page.CAUTIONS
        self.page_first = 0
        if phone is not None:
            self._tell(f"{COMMANDS[Command.PHONE].shown} shows {COMMANDS[Command.PHONE].does}", Tone.PLAIN)
        self.scroll = Scroll()
        self.big = False
        self.light = False
        self.alone = 0
        """0: all areas; 1 … 4: one of them alone."""
        self.leaving = False
        self._lately = Lately(session)
        self._followed: str | None = None
        self._own = 0
        """Happenings up to this number were told as the answer to a key."""

    # What is shown

    @property
    def view(self) -> SessionView:
        """The session as it was looked at last."""
        return self._console.view

    @property
    def asking(self) -> Asking | None:
        """The question that is open; None: none is."""
        return self._console.asking

    @property
    def message(self) -> Message:
        """What was last told."""
        return self._console.message

    @property
    def lately(self) -> tuple[tuple[str, Happening], ...]:
        """What was told: (time in words, what happened), by the time at which it happened; the latest last."""
        return self._lately.told

    @property
    def zone(self) -> tzinfo | None:
        """Of the times of day; None: the laptop's own."""
        return self._console.zone

    @property
    def chosen_action(self) -> int | None:
        """Number of the action that is marked in the list of what was done."""
        return self._corrections.chosen

    @property
    def offers_labels(self) -> bool:
        """Whether numbers should be offered: before the first connector is pulled, and never after."""
        if self.view.labels_given or not self.view.harness:
            return False
        return not any(action.kind in (ActionKind.UNPLUG, ActionKind.SWAP) for action in self.view.actions)

    # What time does

    def tick(self) -> tuple[Happening, ...] | None:
        """Let the session go on; give what is new when the screen should be drawn again, else None."""
        self._console.attempt(self._session.step, "NOT HEARD")
        now_s = self._clock_s()
        new = self._session.happenings(self._seen)
        if new:
            self._seen = new[-1].n
            self._bell.hear(one.kind for one in new)
        if not new and now_s - self._console.viewed_s < _VIEW_EVERY_S:
            return None
        self._look()
        self._lately.take((self._console.at(one.time_ns), one) for one in new if one.kind is not HappeningKind.ACTION)
        shown = [one for one in new if one.kind is HappeningKind.ACTION and one.n > self._own]
        if shown:  # nobody pressed a key for it: the traffic shows it, or somebody pressed on the page
            self._tell(self._by_others(shown[-1]), Tone.GOOD)
        for happening in new:
            if happening.kind is HappeningKind.RECORD:
                self._tell(happening.text, Tone.GOOD)
            if happening.kind is HappeningKind.LOST and happening.controller is not None:
                self.scroll.follow(self.view, happening.controller)
        return new

    def rings(self) -> bool:
        """Say whether the bell is to ring now."""
        return self._bell.ring(self._clock_s())

    # What keys do

    def press(self, key: str, character: str | None = None) -> None:
        """Take a key.

        Parameters
        ----------
        key : as Textual names it
        character : what it types; None: nothing
        """
        if self.page is not None and self.asking is None:
            self._press_on_page(key)
        elif self._console.runs_on(key, character):
            return
        elif self.asking is not None:
            self._press_on_question(key, character)
        else:
            command = BY_KEY.get(key)
            if command is None and character is not None:
                command = BY_KEY.get(character)
            if command is not None:
                self._console.attempt(lambda: self._do(command))
        self._own = max((one.n for one in self._session.happenings(self._seen)), default=self._own)
        self._look()

    def _press_on_page(self, key: str) -> None:
        page = self.page
        leaves = key in COMMANDS[Command.QUIT].keys
        if key in ("down", "up") and page is Page.DONE:
            self._corrections.choose(1 if key == "down" else -1)
            return
        if page is Page.LABELS and key == "t":
            self._acts.ask_photograph()
            return
        if key in ("down", "up"):
            self.page_first = max(0, self.page_first + (1 if key == "down" else -1))
            return
        if page is Page.DONE and self._corrections.press(key):
            return
        if page is Page.CAUTIONS:
            if leaves:
                self.leaving = True
            elif key in COMMANDS[Command.STEP].keys:
                self.page = None
            return
        self.page = None
        if page is Page.LEAVE and leaves:
            self.leaving = True
        elif key in COMMANDS[Command.STEP].keys:
            self._tell("page closed, nothing logged", Tone.FAINT)

    def _press_on_question(self, key: str, character: str | None) -> None:
        if key == "pagedown":  # a remote in another hand: nobody answers a question with it
            self._console.close_question()
            self._console.attempt(lambda: self._do(Command.STEP))
        else:
            self._console.answer(key, character)

    def _do(self, command: Command) -> None:
        """Carry out a command."""
        if command in VERBS:
            self._acts.ask_part(VERBS[command])
            return
        acts, corrections = self._acts, self._corrections
        simple: dict[Command, Callable[[], None]] = {
            Command.STEP: acts.step,
            Command.MARK: lambda: acts.do(ActionKind.MARK),
            Command.SEEN: lambda: acts.do(ActionKind.SEEN),
            Command.GONE: lambda: acts.do(ActionKind.GONE),
            Command.COMPLAINT: acts.ask_complaint,
            Command.NOTE: acts.ask_note,
            Command.RENAME: corrections.ask_rename,
            Command.AGO: corrections.ask_ago,
            Command.UNDO: corrections.undo,
            Command.REDO: corrections.redo,
            Command.TAKE: acts.take,
            Command.REFUSE: acts.refuse,
            Command.OTHER: acts.other_test,
            Command.ITS_LEAD: lambda: acts.answer(SilenceAnswer.LEAD),
            Command.ITS_KEY: lambda: acts.answer(SilenceAnswer.KEY),
            Command.ITS_MACHINE: lambda: acts.answer(SilenceAnswer.MACHINE),
            Command.DONE: self._list,
            Command.LABELS: self._labels,
            Command.CHECK: lambda: self._open(Page.CHECK),
            Command.PHONE: self._show_phone,
            Command.HELP: lambda: self._open(Page.HELP),
            Command.QUIT: self._quit,
            Command.BIG: self._toggle_big,
            Command.LIGHT: self._toggle_light,
            Command.ONE_AREA: self._next_area,
        }
        if command in simple:
            simple[command]()
        else:
            self.scroll.move(command, self.view)

    # Pages and areas

    def _open(self, page: Page) -> None:
        self.page, self.page_first = page, 0

    def _list(self) -> None:
        self._corrections.choose_latest()
        self._open(Page.DONE)

    def _labels(self) -> None:
        self._acts.give_labels()
        self._look()
        self._open(Page.LABELS)

    def _show_phone(self) -> None:
        if self.phone is None:
            self._tell("no page is served: begin with --page --page-on lan", Tone.FAINT)
        else:
            self._open(Page.PHONE)

    def _quit(self) -> None:
        self._look()
        if self.view.not_back:
            self._open(Page.LEAVE)
        else:
            self.leaving = True

    def _toggle_big(self) -> None:
        self.big = not self.big

    def _toggle_light(self) -> None:
        self.light = not self.light

    def _next_area(self) -> None:
        self.alone = (self.alone + 1) % 5
        self.big = False

    def _look(self) -> None:
        self._console.look()
        self.scroll.clamp(self.view)
        part = part_in_question(self.view)
        if part is not None and part != self._followed:
            self.scroll.follow_part(self.view, part)
        self._followed = part

    def fit(self, *, roll_height: int, tree_height: int) -> None:
        """Take the heights of the areas; where they changed, what matters comes into sight again."""
        if not self.scroll.room(roll_height=roll_height, tree_height=tree_height):
            return
        self.scroll.clamp(self.view)
        row, part = in_question(self.view), part_in_question(self.view)
        if row is not None:
            self.scroll.follow(self.view, row.name)
        if part is not None:
            self.scroll.follow_part(self.view, part)

    # What is told

    def _by_others(self, one: Happening) -> str:
        """Say what was logged, or became of it, without a key of this screen."""
        said = one.text.removesuffix(BY_THE_BUS)
        verb, _, done = said.partition(": ")
        shown = ", as the traffic shows" if said != one.text else ""
        return f"{verb} {self._console.at(one.time_ns)}: {done}{shown}"

    def _tell(self, text: str, tone: Tone) -> None:
        self._console.tell(text, tone)
