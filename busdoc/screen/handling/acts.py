"""The keys that log: the proposed step, any other act, an answer, a note, and what was proposed."""

from collections.abc import Callable

from busdoc.actions.action import POWER_KINDS, ActionKind
from busdoc.actions.words import done_in_words, question_in_words
from busdoc.live.view import SilenceAnswer
from busdoc.screen.asking import Asking, Choice, Picking, Writing
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.handling.answers import picked, written
from busdoc.screen.handling.console import Console
from busdoc.screen.parts import choices_for, partners_of
from busdoc.screen.step_press import PressVerdict, noted_with

__all__ = ["Acts"]

_FEWEST_SYMPTOMS = 3
"""What stands out, the dropouts, and one more: with fewer there is nothing to choose."""


class Acts:
    """What keys log.

    Parameters
    ----------
    console : what they act on, ask and tell by
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._session = console.session

    def do(self, kind: ActionKind) -> None:
        """Log an action that needs no part."""
        self._console.logged(self._session.act(kind))

    def step(self) -> None:
        """Log the proposed step, where the press was meant for it."""
        console = self._console
        pressed = console.step_press.press(console.view, console.clock_s())
        if pressed.verdict is not PressVerdict.LOG:
            if pressed.step is not None and pressed.step.action in POWER_KINDS:
                self._session.do_now()  # a practice machine's traffic shows it then, as a real one's does
            console.tell(pressed.text, pressed.tone)
            return
        action = self._session.do_next()
        if action is not None:
            console.logged(action)

    def ask_part(self, kind: ActionKind) -> None:
        """Ask which part something is done to, and log it."""
        console = self._console
        choices = choices_for(kind, console.view)
        new_names = console.view.guided and kind not in POWER_KINDS
        if not choices and not new_names:
            console.tell(f"nothing is there to be {question_in_words(kind).lower()}; nothing logged", Tone.WARN)
            return
        then = self._swap_from if kind is ActionKind.SWAP else self._act_on(kind)
        if kind is ActionKind.POWER_CYCLE:
            then = self._cycle
        console.ask(Picking(question_in_words(kind), choices, new_names=new_names), then)

    def _act_on(self, kind: ActionKind) -> Callable[[Asking], None]:
        def act(asking: Asking) -> None:
            self._console.logged(self._session.act(kind, picked(asking).value))

        return act

    def _cycle(self, asking: Asking) -> None:
        action = self._session.cycle(picked(asking).value)
        if action is None:
            self._console.tell("switch it off now: the traffic will show it and log it", Tone.WARN)
        else:
            self._console.logged(action)

    def _swap_from(self, asking: Asking) -> None:
        view, one = self._console.view, picked(asking).value

        def swap(other: Asking) -> None:
            self._console.logged(self._session.act(ActionKind.SWAP, one, picked(other).value))

        question = f"{question_in_words(ActionKind.SWAP)} {one} with"
        self._console.ask(Picking(question, partners_of(one, view), new_names=view.guided), swap)

    def answer(self, answer: SilenceAnswer) -> None:
        """Say what a silence of everybody was."""
        if self._console.view.silence is None:
            self._console.tell("nobody asks: somebody is heard", Tone.FAINT)
            return
        self._console.logged(self._session.answer_silence(answer))

    # Notes

    def ask_note(self) -> None:
        """Ask for a note, beside what was just done or by itself."""
        last = noted_with(self._console.view)
        if last is None:
            self._console.ask(Writing("Note"), self._note)
        else:
            self.ask_note_with(last.n, done_in_words(last))

    def ask_photograph(self) -> None:
        """Ask for the name of a photograph of the numbers."""
        self._console.ask(Writing("Photograph of the numbers"), self._note)

    def ask_note_with(self, n: int, done: str) -> None:
        """Ask for a note beside action `n`."""

        def note(asking: Asking) -> None:
            text = written(asking)
            if text:
                self._console.logged(self._session.correct(n, note=text))
            else:
                self._console.tell("nothing was written; nothing logged", Tone.FAINT)

        self._console.ask(Writing(f"Note or photograph, with: {done}"), note)

    def _note(self, asking: Asking) -> None:
        console, text = self._console, written(asking)
        if not text:
            console.tell("nothing was written; nothing logged", Tone.FAINT)
            return
        self._session.note(text)
        console.tell(f'logged {console.at(console.view.now_ns)} note "{text}"', Tone.GOOD)

    # What is isolated, and what was proposed

    def ask_complaint(self) -> None:
        """Ask which symptom is to be isolated."""
        console = self._console
        choices = [Choice(value=row.name, text=row.text, aside=row.aside) for row in console.view.symptoms]
        if len(choices) < _FEWEST_SYMPTOMS:
            console.tell("no symptom showed but dropouts so far", Tone.FAINT)
            return

        def pick(asking: Asking) -> None:
            one = picked(asking)
            self._session.isolate(one.value)
            console.tell(f"isolating {one.text}", Tone.GOOD)

        console.ask(Picking("Isolate", choices), pick)

    def take(self) -> None:
        """Say yes: to the step that waits for it, else to what the traffic looks like."""
        console = self._console
        awaited = console.step_press.awaited(console.clock_s())
        console.step_press.settle()
        if awaited is not None and awaited == console.step_press.step:
            action = self._session.do_next()
            if action is not None:
                console.logged(action)
            return
        if not console.view.proposals:
            console.tell("nothing was asked", Tone.FAINT)
            return
        console.logged(self._session.take_proposal(console.view.proposals[0].key))

    def refuse(self) -> None:
        """Say no to what the traffic looks like."""
        if not self._console.view.proposals:
            self._console.tell("nothing was asked", Tone.FAINT)
            return
        proposal = self._console.view.proposals[0]
        self._session.refuse_proposal(proposal.key)
        self._console.tell(f"refused: {proposal.text}", Tone.FAINT)

    def other_test(self) -> None:
        """Ask for another test."""
        self._session.skip_test()
        self._console.tell("another test, if there is one", Tone.FAINT)

    def give_labels(self) -> None:
        """Give each connector a number, once."""
        if not self._console.view.labels_given:
            self._session.give_labels()
            self._console.tell("labels given: tape them on before anything is pulled", Tone.GOOD)
