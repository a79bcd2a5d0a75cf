"""The keys that correct: what was done last, and any entry of the list of what was done."""

from busdoc.actions.action import Action
from busdoc.actions.words import done_in_words, question_in_words
from busdoc.screen.asking import Asking, Choice, Digit, Picking, Writing
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import undone_in_words
from busdoc.screen.handling.acts import Acts
from busdoc.screen.handling.answers import picked, written
from busdoc.screen.handling.console import Console
from busdoc.screen.parts import choices_for

__all__ = ["Corrections"]


class Corrections:
    """What keys correct, and the entry that is marked in the list.

    Parameters
    ----------
    console : what they act on, ask and tell by
    acts : how a note is asked for
    """

    def __init__(self, console: Console, acts: Acts) -> None:
        self._console = console
        self._session = console.session
        self._acts = acts
        self.chosen: int | None = None
        """Number of the action that is marked."""

    # What was done last

    def undo(self) -> None:
        """Take back what was done last, whatever it was."""
        console, action = self._console, self._session.undo()
        if action is None:
            console.tell("nothing to undo", Tone.FAINT)
        else:
            stands = any(one.n == action.n for one in self._session.view().actions)
            at = console.at(action.time_ns)
            console.tell(undone_in_words(action, at, stands=stands, again="Z does it again"), Tone.WARN)

    def redo(self) -> None:
        """Do again what was taken back."""
        action = self._session.redo()
        if action is None:
            self._console.tell("nothing to redo", Tone.FAINT)
        else:
            self._console.logged(action)

    def ask_ago(self) -> None:
        """Ask how long before its press the latest action was done."""
        if not self._console.view.actions:
            self._console.tell("nothing is logged yet", Tone.FAINT)
        else:
            self._ask_seconds(max(self._console.view.actions, key=lambda action: action.n))

    def _ask_seconds(self, action: Action) -> None:
        def retime(asking: Asking) -> None:
            seconds = asking.seconds if isinstance(asking, Digit) else None
            if seconds is not None:
                self._console.logged(self._session.retime(action.n, float(seconds)))

        self._console.ask(Digit(f"How many seconds before its press: {done_in_words(action)}"), retime)

    # A branch's name

    def ask_rename(self) -> None:
        """Ask which branch gets which other name."""
        console = self._console
        choices = [Choice(value=row.name, text=row.name, label=row.label) for row in console.view.harness]
        if not choices:
            console.tell("no branch is known yet", Tone.FAINT)
            return

        def pick(asking: Asking) -> None:
            old = picked(asking).value or ""

            def rename(answer: Asking) -> None:
                new = written(answer)
                if new and new != old:
                    self._session.rename(old, new)
                    console.tell(f"renamed {old} to {new}", Tone.GOOD)
                else:
                    console.tell("name kept", Tone.FAINT)

            console.ask(Writing(f"New name of {old}"), rename)

        console.ask(Picking("Rename", choices), pick)

    # The list

    def choose_latest(self) -> None:
        """Mark the action that was done last."""
        last = max(self._console.view.actions, key=lambda one: (one.time_ns, one.n), default=None)
        self.chosen = None if last is None else last.n

    def choose(self, by: int) -> None:
        """Mark another line of the list; the latest stands uppermost."""
        numbers = [action.n for action in reversed(self._console.view.actions)]
        if numbers:
            at = numbers.index(self.chosen) if self.chosen in numbers else 0
            self.chosen = numbers[min(max(at + by, 0), len(numbers) - 1)]

    def press(self, key: str) -> bool:
        """Take a key on the list; say whether it means anything there."""
        console = self._console
        action = next((one for one in console.view.actions if one.n == self.chosen), None)
        if action is None:
            return False
        if key == "a":
            console.attempt(lambda: self._ask_seconds(action))
        elif key == "t":
            self._acts.ask_note_with(action.n, done_in_words(action))
        elif key == "x":
            console.attempt(lambda: self._strike(action))
        elif key == "p":
            self._ask_other_part(action)
        else:
            return False
        return True

    def _strike(self, action: Action) -> None:
        console = self._console
        self._session.undo(action.n)
        console.tell(f"struck out: {console.at(action.time_ns)} {done_in_words(action)}   (z puts it back)", Tone.WARN)
        console.look()
        self.choose(0)

    def _ask_other_part(self, action: Action) -> None:
        def give(asking: Asking) -> None:
            self._console.logged(self._session.correct(action.n, part=picked(asking).value))

        choices = choices_for(action.kind, self._console.view, done=True)
        self._console.ask(Picking(question_in_words(action.kind), choices), give)
