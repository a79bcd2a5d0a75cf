"""What each key does to the session, and to what the screen knows beside it. Nothing is drawn here.

Takes keys and ticks; calls the session; keeps the page, the question that is open, the scroll and the message. What a
key logged is told only after the session's call returned, and then it is on disk.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from busdoc.actions.action import POWER_KINDS, Action, ActionKind
from busdoc.actions.words import done_in_words, question_in_words
from busdoc.errors import BusdocError
from busdoc.live.bell import Bell
from busdoc.live.event_log import BY_THE_BUS
from busdoc.live.view import Happening, HappeningKind, SessionView, SilenceAnswer
from busdoc.screen.areas.big_view import in_question
from busdoc.screen.areas.pages import Page
from busdoc.screen.asking import Asking, Choice, Digit, Picking, Writing
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import logged_in_words, moment, undone_in_words
from busdoc.screen.keys import BY_KEY, COMMANDS, VERBS, Command
from busdoc.screen.parts import choices_for, part_in_question, partners_of
from busdoc.screen.scroll import Scroll
from busdoc.screen.session import Session
from busdoc.screen.step_press import PressVerdict, StepPress, noted_with

__all__ = ["Message", "ScreenState"]

_VIEW_EVERY_S = 0.2
_RUN_ON_S = 1.2
"""So long fingers may go on spelling a name that was already taken."""
_KEPT_HAPPENINGS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What was last told."""

    text: str
    tone: Tone


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
        self._viewed_s = clock_s()
        self._chosen: tuple[Picking, float] | None = None
        self._then: Callable[[Asking], None] | None = None
        self.zone = zone
        self.view: SessionView = session.view()
        self.page: Page | None = Page.CAUTIONS
        self.page_first = 0
        self.asking: Asking | None = None
        said = "" if phone is None else f"{COMMANDS[Command.PHONE].shown} shows {COMMANDS[Command.PHONE].does}"
        self.message = Message(text=said, tone=Tone.PLAIN)
        self.scroll = Scroll()
        self.big = False
        self.light = False
        self.alone = 0
        """0: all areas; 1 … 4: one of them alone."""
        self.leaving = False
        self.lately: tuple[tuple[str, Happening], ...] = ()
        self._followed: str | None = None
        self._step_press = StepPress(COMMANDS[Command.TAKE].shown)
        self._own = 0
        """Happenings up to this number were told as the answer to a key."""
        self.chosen_action: int | None = None
        """Number of the action that is marked in the list of what was done."""

    # What time does

    def tick(self) -> tuple[Happening, ...] | None:
        """Let the session go on; give what is new when the screen should be drawn again, else None."""
        self._try(self._session.step, "NOT HEARD")
        now_s = self._clock_s()
        new = self._session.happenings(self._seen)
        if new:
            self._seen = new[-1].n
            self._bell.hear(one.kind for one in new)
        if not new and now_s - self._viewed_s < _VIEW_EVERY_S:
            return None
        self._look()
        told = [(self._at(one.time_ns), one) for one in new if one.kind is not HappeningKind.ACTION]
        self.lately = (*self.lately, *told)[-_KEPT_HAPPENINGS:]
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

    @property
    def offers_labels(self) -> bool:
        """Whether numbers should be offered: before the first connector is pulled, and never after."""
        if self.view.labels_given or not self.view.harness:
            return False
        return not any(action.kind in (ActionKind.UNPLUG, ActionKind.SWAP) for action in self.view.actions)

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
        elif not isinstance(self.asking, Picking) and self._runs_on(key, character):
            return
        elif self.asking is not None:
            self._press_on_question(key, character)
        else:
            command = BY_KEY.get(key)
            if command is None and character is not None:
                command = BY_KEY.get(character)
            if command is not None:
                self._try(lambda: self._do(command))
        self._own = max((one.n for one in self._session.happenings(self._seen)), default=self._own)
        self._look()

    def _runs_on(self, key: str, character: str | None) -> bool:
        """Swallow letters that go on spelling a name that was already taken, and the Enter that would have taken it."""
        if self._chosen is None:
            return False
        picking, until_s = self._chosen
        now_s = self._clock_s()
        if now_s <= until_s and picking.continues(character):
            self._chosen = (picking, now_s + _RUN_ON_S)
            return True
        self._chosen = None
        return now_s <= until_s and key == "enter"

    def _press_on_page(self, key: str) -> None:
        page = self.page
        leaves = key in COMMANDS[Command.QUIT].keys
        if key in ("down", "up") and page is Page.DONE:
            self._choose(1 if key == "down" else -1)
            return
        if page is Page.LABELS and key == "t":
            self._ask(Writing("Photograph of the numbers"), self._note)
            return
        if key in ("down", "up"):
            self.page_first = max(0, self.page_first + (1 if key == "down" else -1))
            return
        if page is Page.DONE and self._press_on_list(key):
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

    def _press_on_list(self, key: str) -> bool:
        """Take a key on the list of what was done; say whether it means anything there."""
        action = next((one for one in self.view.actions if one.n == self.chosen_action), None)
        if action is None:
            return False
        if key == "a":
            self._try(lambda: self._ask_seconds(action))
        elif key == "t":
            self._ask(Writing(f"Note or photograph, with: {done_in_words(action)}"), self._noted_with(action))
        elif key == "x":
            self._try(lambda: self._strike(action))
        elif key == "p":
            choices = choices_for(action.kind, self.view, done=True)
            self._ask(Picking(question_in_words(action.kind), choices), self._repart(action))
        else:
            return False
        return True

    def _choose(self, by: int) -> None:
        """Mark another line of the list; the latest stands uppermost."""
        numbers = [action.n for action in reversed(self.view.actions)]
        if numbers:
            at = numbers.index(self.chosen_action) if self.chosen_action in numbers else 0
            self.chosen_action = numbers[min(max(at + by, 0), len(numbers) - 1)]

    def _strike(self, action: Action) -> None:
        self._session.undo(action.n)
        self._tell(f"struck out: {self._at(action.time_ns)} {done_in_words(action)}   (z puts it back)", Tone.WARN)
        self._look()
        self._choose(0)

    def _repart(self, action: Action) -> Callable[[Asking], None]:
        def repart(asking: Asking) -> None:
            self._logged(self._session.correct(action.n, part=_picked(asking).value))

        return repart

    def _noted_with(self, action: Action) -> Callable[[Asking], None]:
        def note(asking: Asking) -> None:
            text = asking.text.strip() if isinstance(asking, Writing) else ""
            if text:
                self._logged(self._session.correct(action.n, note=text))
            else:
                self._tell("nothing was written; nothing logged", Tone.FAINT)

        return note

    def _press_on_question(self, key: str, character: str | None) -> None:
        asking, then = self.asking, self._then
        if asking is None or then is None:
            return
        if key == "pagedown":  # a remote in another hand: nobody answers a question with it
            self._close_question()
            self._try(lambda: self._do(Command.STEP))
        elif key in ("escape", "ctrl+c"):
            self._close_question()
        elif asking.press(key, character):
            self._close_question()
            if isinstance(asking, Picking) and key != "enter":
                self._chosen = (asking, self._clock_s() + _RUN_ON_S)
            self._try(lambda: then(asking))

    def _close_question(self) -> None:
        self.asking = self._then = None

    def _ask(self, asking: Asking, then: Callable[[Asking], None]) -> None:
        self.asking, self._then = asking, then

    def _do(self, command: Command) -> None:
        """Carry out a command."""
        if command in VERBS:
            self._ask_part(VERBS[command])
            return
        simple: dict[Command, Callable[[], None]] = {
            Command.STEP: self._step,
            Command.MARK: lambda: self._logged(self._session.act(ActionKind.MARK)),
            Command.SEEN: lambda: self._logged(self._session.act(ActionKind.SEEN)),
            Command.GONE: lambda: self._logged(self._session.act(ActionKind.GONE)),
            Command.COMPLAINT: self._ask_complaint,
            Command.NOTE: self._ask_note,
            Command.RENAME: self._ask_rename,
            Command.AGO: self._ask_ago,
            Command.UNDO: self._undo,
            Command.REDO: self._redo,
            Command.TAKE: self._take,
            Command.REFUSE: self._refuse,
            Command.OTHER: self._other_test,
            Command.ITS_LEAD: lambda: self._answer(SilenceAnswer.LEAD),
            Command.ITS_KEY: lambda: self._answer(SilenceAnswer.KEY),
            Command.ITS_MACHINE: lambda: self._answer(SilenceAnswer.MACHINE),
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

    # Logging

    def _step(self) -> None:
        pressed = self._step_press.press(self.view, self._clock_s())
        if pressed.verdict is not PressVerdict.LOG:
            if pressed.step is not None and pressed.step.action in POWER_KINDS:
                self._session.do_now()  # a practice machine's traffic shows it then, as a real one's does
            self._tell(pressed.text, pressed.tone)
            return
        action = self._session.do_next()
        if action is not None:
            self._logged(action)

    def _ask_part(self, kind: ActionKind) -> None:
        choices = choices_for(kind, self.view)
        new_names = self.view.guided and kind not in POWER_KINDS
        if not choices and not new_names:
            self._tell(f"nothing is there to be {question_in_words(kind).lower()}; nothing logged", Tone.WARN)
            return
        then = self._swap_from if kind is ActionKind.SWAP else self._act_on(kind)
        if kind is ActionKind.POWER_CYCLE:
            then = self._cycle
        self._ask(Picking(question_in_words(kind), choices, new_names=new_names), then)

    def _act_on(self, kind: ActionKind) -> Callable[[Asking], None]:
        def act(asking: Asking) -> None:
            self._logged(self._session.act(kind, _picked(asking).value))

        return act

    def _cycle(self, asking: Asking) -> None:
        action = self._session.cycle(_picked(asking).value)
        if action is None:
            self._tell("switch it off now: the traffic will show it and log it", Tone.WARN)
        else:
            self._logged(action)

    def _swap_from(self, asking: Asking) -> None:
        one = _picked(asking).value
        others = partners_of(one, self.view)

        def swap(other: Asking) -> None:
            self._logged(self._session.act(ActionKind.SWAP, one, _picked(other).value))

        self._ask(Picking(f"{question_in_words(ActionKind.SWAP)} {one} with", others, new_names=self.view.guided), swap)

    def _logged(self, action: Action) -> None:
        self._step_press.settle()
        self._tell(logged_in_words(action, self._at(action.time_ns)), Tone.GOOD)

    def _answer(self, answer: SilenceAnswer) -> None:
        if self.view.silence is None:
            self._tell("nobody asks: somebody is heard", Tone.FAINT)
            return
        self._logged(self._session.answer_silence(answer))

    def _list(self) -> None:
        self.chosen_action = (
            max(self.view.actions, key=lambda one: (one.time_ns, one.n)).n if self.view.actions else None
        )
        self._open(Page.DONE)

    def _ask_note(self) -> None:
        last = noted_with(self.view)
        if last is None:
            self._ask(Writing("Note"), self._note)
        else:
            self._ask(Writing(f"Note or photograph, with: {done_in_words(last)}"), self._noted_with(last))

    def _note(self, asking: Asking) -> None:
        text = asking.text.strip() if isinstance(asking, Writing) else ""
        if not text:
            self._tell("nothing was written; nothing logged", Tone.FAINT)
            return
        self._session.note(text)
        self._tell(f'logged {self._at(self.view.now_ns)} note "{text}"', Tone.GOOD)

    def _ask_complaint(self) -> None:
        rows = self.view.symptoms
        choices = [Choice(value=row.name, text=row.text, aside=row.aside) for row in rows]
        if len(choices) < 3:
            self._tell("no symptom showed but dropouts so far", Tone.FAINT)
            return

        def pick(asking: Asking) -> None:
            one = _picked(asking)
            self._session.isolate(one.value)
            self._tell(f"isolating {one.text}", Tone.GOOD)

        self._ask(Picking("Isolate", choices), pick)

    # Correcting

    def _undo(self) -> None:
        action = self._session.undo()
        if action is None:
            self._tell("nothing to undo", Tone.FAINT)
        else:
            stands = any(one.n == action.n for one in self._session.view().actions)
            at = self._at(action.time_ns)
            self._tell(undone_in_words(action, at, stands=stands, again="Z does it again"), Tone.WARN)

    def _redo(self) -> None:
        action = self._session.redo()
        if action is None:
            self._tell("nothing to redo", Tone.FAINT)
        else:
            self._logged(action)

    def _ask_ago(self) -> None:
        if not self.view.actions:
            self._tell("nothing is logged yet", Tone.FAINT)
        else:
            self._ask_seconds(max(self.view.actions, key=lambda action: action.n))

    def _ask_seconds(self, action: Action) -> None:
        def retime(asking: Asking) -> None:
            seconds = asking.seconds if isinstance(asking, Digit) else None
            if seconds is not None:
                self._logged(self._session.retime(action.n, float(seconds)))

        self._ask(Digit(f"How many seconds before its press: {done_in_words(action)}"), retime)

    def _ask_rename(self) -> None:
        choices = [Choice(value=row.name, text=row.name, label=row.label) for row in self.view.harness]
        if not choices:
            self._tell("no branch is known yet", Tone.FAINT)
            return

        def pick(asking: Asking) -> None:
            old = _picked(asking).value or ""

            def rename(written: Asking) -> None:
                new = written.text.strip() if isinstance(written, Writing) else ""
                if new and new != old:
                    self._session.rename(old, new)
                    self._tell(f"renamed {old} to {new}", Tone.GOOD)
                else:
                    self._tell("name kept", Tone.FAINT)

            self._ask(Writing(f"New name of {old}"), rename)

        self._ask(Picking("Rename", choices), pick)

    # Proposals, labels, tests

    def _take(self) -> None:
        awaited = self._step_press.awaited(self._clock_s())
        self._step_press.settle()
        if awaited is not None and awaited == self._step_press.step:
            action = self._session.do_next()
            if action is not None:
                self._logged(action)
            return
        if not self.view.proposals:
            self._tell("nothing was asked", Tone.FAINT)
            return
        self._logged(self._session.take_proposal(self.view.proposals[0].key))

    def _refuse(self) -> None:
        if not self.view.proposals:
            self._tell("nothing was asked", Tone.FAINT)
            return
        proposal = self.view.proposals[0]
        self._session.refuse_proposal(proposal.key)
        self._tell(f"refused: {proposal.text}", Tone.FAINT)

    def _other_test(self) -> None:
        self._session.skip_test()
        self._tell("another test, if there is one", Tone.FAINT)

    def _labels(self) -> None:
        if not self.view.labels_given:
            self._session.give_labels()
            self._tell("labels given: tape them on before anything is pulled", Tone.GOOD)
        self._look()
        self._open(Page.LABELS)

    # What is shown

    def _open(self, page: Page) -> None:
        self.page, self.page_first = page, 0

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
        self.view = self._session.view()
        self._viewed_s = self._clock_s()
        self._step_press.look(self.view, self._clock_s())
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

    def _at(self, t_ns: int) -> str:
        return moment(t_ns, self.view.start_ns, epoch=self.view.epoch, zone=self.zone)

    def _by_others(self, one: Happening) -> str:
        """Say what was logged, or became of it, without a key of this screen."""
        said = one.text.removesuffix(BY_THE_BUS)
        verb, _, done = said.partition(": ")
        shown = ", as the traffic shows" if said != one.text else ""
        return f"{verb} {self._at(one.time_ns)}: {done}{shown}"

    def _tell(self, text: str, tone: Tone) -> None:
        self.message = Message(text=text, tone=tone)

    def _try(self, do: Callable[[], None], failed: str = "NOT LOGGED") -> None:
        """Do it, or say why it cannot be done."""
        try:
            do()
        except BusdocError as error:
            self._tell(f"{failed}. {error}", Tone.ALARM)


def _picked(asking: Asking) -> Choice:
    assert isinstance(asking, Picking)
    assert asking.answer is not None
    return asking.answer
