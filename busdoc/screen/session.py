"""What the screen asks of a session. The live session does all this; tests bring their own."""

from typing import Protocol

from busdoc.actions.action import Action, ActionKind
from busdoc.live.view import Happening, SessionView, SilenceAnswer

__all__ = ["Session"]


class Session(Protocol):
    """A session at the machine, running or played back.

    What cannot be done raises `busdoc.errors.InputError`, and nothing was half done then.
    """

    def step(self) -> None:
        """Take what came in and judge it; called some 20 times a second."""
        ...

    def view(self) -> SessionView:
        """Give all that is shown."""
        ...

    def happenings(self, after: int) -> tuple[Happening, ...]:
        """Give what happened after the one with this number."""
        ...

    @property
    def amended(self) -> int:
        """How often something that happened has been worded anew since it was told."""
        ...

    def act(self, kind: ActionKind, part: str | None = None, into: str | None = None, *, note: str = "") -> Action:
        """Log an action at this instant; it is on disk when this returns."""
        ...

    def do_next(self) -> Action | None:
        """Log the proposed step at this instant; None when none is proposed."""
        ...

    def do_now(self) -> None:
        """Do the proposed step to a practice machine; by a real one a person does it."""
        ...

    def cycle(self, feed: str | None) -> Action | None:
        """Log that a supply was off and on, as the traffic shows; None: it is asked for, stage by stage."""
        ...

    def answer_silence(self, answer: SilenceAnswer) -> Action:
        """Say what a silence of everybody was."""
        ...

    def undo(self, n: int | None = None) -> Action | None:
        """Take back what was done last, or strike out action `n`; None when there is none."""
        ...

    def correct(self, n: int, *, part: str | None = None, note: str | None = None) -> Action:
        """Correct the part of an action, or write a note beside it."""
        ...

    def redo(self) -> Action | None:
        """Do again what was taken back; None when there is nothing."""
        ...

    def retime(self, n: int, seconds_ago: float) -> Action:
        """Say that an action was done so many seconds before its press."""
        ...

    def rename(self, old: str, new: str) -> None:
        """Give a branch another name."""
        ...

    def note(self, text: str) -> None:
        """Keep a note at this instant."""
        ...

    def isolate(self, name: str | None) -> None:
        """Make another symptom the complaint; None: what stands out."""
        ...

    def take_proposal(self, key: str) -> Action:
        """Log what the traffic looks like."""
        ...

    def refuse_proposal(self, key: str) -> None:
        """Never propose it again."""
        ...

    def give_labels(self) -> None:
        """Give each connector a number to tape on."""
        ...

    def skip_test(self) -> None:
        """Propose another test."""
        ...
