"""What all keys share: the session and its view, the question that is open, and what was last told.

What a key logged is told only after the session's call returned, and then it is on disk.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import tzinfo

from busdoc.actions.action import Action
from busdoc.errors import BusdocError
from busdoc.live.view import SessionView
from busdoc.screen.asking import Asking, Picking
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import logged_in_words, moment
from busdoc.screen.keys import COMMANDS, Command
from busdoc.screen.session import Session
from busdoc.screen.step_press import StepPress

__all__ = ["Console", "Message"]

_RUN_ON_S = 1.2
"""So long fingers may go on spelling a name that was already taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What was last told."""

    text: str
    tone: Tone


class Console:
    """The session, looked at and asked about.

    Parameters
    ----------
    session : what runs
    clock_s : a clock that only goes on, s
    zone : of the times of day; None: the laptop's own
    """

    def __init__(self, session: Session, clock_s: Callable[[], float], zone: tzinfo | None) -> None:
        self.session = session
        self.clock_s = clock_s
        self.zone = zone
        self.view: SessionView = session.view()
        self.viewed_s = clock_s()
        self.message = Message(text="", tone=Tone.PLAIN)
        self.asking: Asking | None = None
        self.step_press = StepPress(COMMANDS[Command.TAKE].shown)
        self._then: Callable[[Asking], None] | None = None
        self._chosen: tuple[Picking, float] | None = None

    def look(self) -> None:
        """Take the view as it is now."""
        self.view = self.session.view()
        self.viewed_s = self.clock_s()
        self.step_press.look(self.view, self.viewed_s)

    # What is told

    def tell(self, text: str, tone: Tone) -> None:
        """Say something, in place of what was said last."""
        self.message = Message(text=text, tone=tone)

    def logged(self, action: Action) -> None:
        """Say that an action is on disk."""
        self.step_press.settle()
        self.tell(logged_in_words(action, self.at(action.time_ns)), Tone.GOOD)

    def attempt(self, do: Callable[[], None], failed: str = "NOT LOGGED") -> None:
        """Do it, or say why it cannot be done."""
        try:
            do()
        except BusdocError as error:
            self.tell(f"{failed}. {error}", Tone.ALARM)

    def at(self, t_ns: int) -> str:
        """Write a time as the screen does."""
        return moment(t_ns, self.view.start_ns, epoch=self.view.epoch, zone=self.zone)

    # What is asked

    def ask(self, asking: Asking, then: Callable[[Asking], None]) -> None:
        """Open a question; `then` takes its answer."""
        self.asking, self._then = asking, then

    def close_question(self) -> None:
        """Ask nothing any more."""
        self.asking = self._then = None

    def answer(self, key: str, character: str | None) -> None:
        """Take a key that is meant for the open question."""
        asking, then = self.asking, self._then
        if asking is None or then is None:
            return
        if key in ("escape", "ctrl+c"):
            self.close_question()
        elif asking.press(key, character):
            self.close_question()
            if isinstance(asking, Picking) and key != "enter":
                self._chosen = (asking, self.clock_s() + _RUN_ON_S)
            self.attempt(lambda: then(asking))

    def runs_on(self, key: str, character: str | None) -> bool:
        """Swallow letters that go on spelling a name that was already taken, and the Enter that would have taken it."""
        if isinstance(self.asking, Picking) or self._chosen is None:
            return False
        picking, until_s = self._chosen
        now_s = self.clock_s()
        if now_s <= until_s and picking.continues(character):
            self._chosen = (picking, now_s + _RUN_ON_S)
            return True
        self._chosen = None
        return now_s <= until_s and key == "enter"
