"""What a key may ask back: which part, which text, how many seconds. Plain state, fed with keys."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.screen.drawing.lines import Line, fit, line_of, pad
from busdoc.screen.drawing.styles import Tone
from busdoc.words.printable import printable

__all__ = ["Asking", "Choice", "Digit", "Picking", "Writing", "matching"]

_MOST_SHOWN = 5
_MOST_LETTERS = 200
_MIDDLE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Something that can be picked."""

    value: str | None
    """None: the whole machine."""
    text: str
    label: int | None = None
    aside: str = ""


def matching(choices: Sequence[Choice], typed: str) -> list[Choice]:
    """Find what was meant by a few letters or a label number, nearest first.

    A whole word goes before a beginning; a middle counts only where nothing begins so.

    >>> parts = [Choice(value=n, text=n, label=k) for k, n in enumerate(("harness-A", "harness-B", "gate-angle"), 1)]
    >>> [choice.text for choice in matching(parts, "a")]
    ['harness-A', 'gate-angle']
    >>> [choice.text for choice in matching(parts, "3")]
    ['gate-angle']
    """
    wanted = typed.strip().casefold()
    if not wanted:
        return list(choices)
    if wanted.isdigit():
        labelled = [choice for choice in choices if choice.label is not None and str(choice.label).startswith(wanted)]
        if labelled:  # a number is a label's before it is part of a name
            return sorted(labelled, key=lambda choice: (len(str(choice.label)), choice.label))
    ranked = sorted((rank, k) for k, choice in enumerate(choices) if (rank := _rank(choice, wanted)) is not None)
    middle = _MIDDLE if ranked and ranked[0][0] < _MIDDLE else _MIDDLE + 1
    return [choices[k] for rank, k in ranked if rank < middle]


def _rank(choice: Choice, wanted: str) -> int | None:
    text = choice.text.casefold()
    words = re.split(r"[\W_]+", text)
    if wanted == text:
        return 0
    if wanted in words:
        return 1
    if text.startswith(wanted) or any(word.startswith(wanted) for word in words):
        return 2
    return _MIDDLE if wanted in text else None


class Picking:
    """Picks one of several things: type a few letters or a label number; one match is taken at once, Enter the first.

    Parameters
    ----------
    prompt : what is asked
    choices : likeliest first
    new_names : a name that is not among them may be made up; then nothing is taken before Enter
    """

    def __init__(self, prompt: str, choices: Sequence[Choice], *, new_names: bool = False) -> None:
        self.prompt = prompt
        self.typed = ""
        self.answer: Choice | None = None
        self._choices = tuple(choices)
        self._new_names = new_names
        self._at = 0

    @property
    def found(self) -> list[Choice]:
        """What matches, nearest first; a new name last."""
        found = matching(self._choices, self.typed)
        name = printable(self.typed.strip())
        if self._new_names and name and all(name.casefold() != choice.text.casefold() for choice in found):
            new = Choice(value=name, text=name, aside="new")
            return [*found, new]  # what is there goes first: a new name is a key further down
        return found

    def press(self, key: str, character: str | None) -> bool:
        """Take a key; say whether an answer is there now."""
        found = self.found
        if key == "enter" and found:
            self.answer = found[min(self._at, len(found) - 1)]
        elif key in ("down", "tab"):
            self._at = min(self._at + 1, max(0, len(found) - 1))
        elif key == "up":
            self._at = max(0, self._at - 1)
        elif key == "backspace":
            self.typed, self._at = self.typed[:-1], 0
        elif character is not None and character.isprintable() and len(self.typed) < _MOST_LETTERS:
            self.typed, self._at = self.typed + character, 0
            found = self.found
            if not self._new_names and len(found) == 1:
                self.answer = found[0]
        return self.answer is not None

    def continues(self, character: str | None) -> bool:
        """Whether one more letter still spells the answer: fingers run on after it was taken."""
        if self.answer is None or character is None or not character.isprintable():
            return False
        if self.typed.isdigit():
            return False
        if _rank(self.answer, (self.typed + character).strip().casefold()) is None:
            return False
        self.typed += character
        return True

    def draw(self, width: int) -> list[Line]:
        """Draw the question and what may be meant."""
        found = self.found
        first = max(0, min(self._at, len(found) - _MOST_SHOWN))
        shown = found[first : first + _MOST_SHOWN]
        lines = [
            fit(
                line_of(
                    (f" {self.prompt}: ", Tone.STRONG),
                    (f"{self.typed}_", Tone.KEY),
                    ("   letters or label number, Enter takes ►, Esc leaves", Tone.FAINT),
                ),
                width,
            )
        ]
        for k, choice in enumerate(shown, start=first):
            here = k == self._at
            more = len(found) - first - len(shown) if choice is shown[-1] else 0
            label = "" if choice.label is None else f"#{choice.label}"
            lines.append(
                fit(
                    line_of(
                        (" ► " if here else "   ", Tone.STRONG),
                        (pad(choice.text, min(32, max(8, width - 24))), Tone.STRONG if here else Tone.PLAIN),
                        (f" {label:>4}  ", Tone.STRONG),
                        (choice.aside, Tone.FAINT),
                        (f"   and {more} more ↓" if more else "", Tone.WARN),
                    ),
                    width,
                )
            )
        if not found:
            said = "nothing is called that; Backspace" if self.typed else "a name of your own, such as A, B, left"
            lines.append(fit(line_of((f"   {said}", Tone.WARN)), width))
        return lines


class Writing:
    """Takes a line of text."""

    def __init__(self, prompt: str, text: str = "") -> None:
        self.prompt = prompt
        self.text = text
        self.done = False

    def press(self, key: str, character: str | None) -> bool:
        """Take a key; say whether the text is finished."""
        if key == "enter":
            self.done = True
        elif key == "backspace":
            self.text = self.text[:-1]
        elif character is not None and character.isprintable() and len(self.text) < _MOST_LETTERS:
            self.text += character
        return self.done

    def draw(self, width: int) -> list[Line]:
        """Draw the question and what was written; of a long text its end."""
        room = max(4, width - len(self.prompt) - 5)
        tail = self.text[-room:]
        return [
            fit(line_of((f" {self.prompt}: ", Tone.STRONG), (f"{tail}_", Tone.KEY)), width),
            fit(line_of(("   Enter keeps it, Esc leaves", Tone.FAINT)), width),
        ]


class Digit:
    """Takes one digit: seconds, 0 for ten."""

    def __init__(self, prompt: str) -> None:
        self.prompt = prompt
        self.seconds: int | None = None

    def press(self, key: str, character: str | None) -> bool:
        """Take a key; say whether a digit is there."""
        if character is not None and character.isascii() and character.isdigit():
            self.seconds = int(character) or 10
        return self.seconds is not None

    def draw(self, width: int) -> list[Line]:
        """Draw the question."""
        return [
            fit(line_of((f" {self.prompt}: ", Tone.STRONG), ("_", Tone.KEY)), width),
            fit(line_of(("   1 … 9, or 0 for ten seconds; Esc leaves", Tone.FAINT)), width),
        ]


Asking = Picking | Writing | Digit
