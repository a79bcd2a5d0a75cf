"""Whether a press for the proposed step logs it: the one place that keeps stray presses out of the journal.

The key at the machine and the button on the page both ask here, each hand with a `StepPress` of its own.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from busdoc.actions.action import POWER_KINDS, Action, ActionKind
from busdoc.isolation.verdict import Step
from busdoc.live.view import SessionView
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import step_text
from busdoc.times import SECOND_NS

__all__ = ["PressVerdict", "Pressed", "StepPress", "come_to", "current_step", "noted_with"]

_UNSEEN_S = 1.0
"""A step that has stood for less than this was not read by who presses the key (common practice: about a second)."""
_TWICE_S = 1.0
"""A second press within this is none: a remote bounces, a thumb slips (common practice)."""
_CONFIRMED = (*POWER_KINDS, ActionKind.REPLACE, ActionKind.SWAP)
"""Steps that one key alone does not log: hands go in, or a part is called new, by what they say."""
_CONFIRMED_WITHIN_S = 60.0
_NOTED_WITH_NS = 120 * SECOND_NS
"""What is written down so soon after something was done is about that."""


class PressVerdict(StrEnum):
    """What a press comes to."""

    LOG = "log"
    AWAIT = "await"
    """The traffic, or a second answer, has to confirm it."""
    NO = "no"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressed:
    """The answer to a press."""

    verdict: PressVerdict
    step: Step | None = None
    text: str = ""
    """What to tell, where it is not logged."""
    tone: Tone = Tone.PLAIN


class StepPress:
    """Judges the presses of one hand.

    Parameters
    ----------
    yes : how that hand says that a step is done which a press alone does not log
    """

    def __init__(self, yes: str) -> None:
        self._yes = yes
        self._step: Step | None = None
        self._since_s = -math.inf
        """Since when the step is shown."""
        self._pressed_s = -math.inf
        self._awaits: tuple[Step, float] | None = None
        """(a step that is to be confirmed, when it was pressed)."""

    @property
    def step(self) -> Step | None:
        """The step that is shown."""
        return self._step

    def look(self, view: SessionView, now_s: float) -> None:
        """Take note of when the step that is shown came up."""
        step = current_step(view)
        if step != self._step:
            self.shown(step, now_s)

    def shown(self, step: Step | None, since_s: float) -> None:
        """Take note that this step is shown, and since when."""
        self._step, self._since_s = step, since_s

    def press(self, view: SessionView, now_s: float) -> Pressed:
        """Judge a press at this instant."""
        twice, self._pressed_s = abs(now_s - self._pressed_s) < _TWICE_S, now_s
        following, step = view.next, self._step
        if twice:
            return _no("pressed twice within a second; nothing more logged", Tone.WARN)
        if following is None or step is None:
            watches = following is not None and not step_text(following)
            said = "all steps are done: watch; nothing logged" if watches else "nothing is proposed; nothing logged"
            return _no(said, Tone.FAINT)
        if now_s - self._since_s < _UNSEEN_S:
            return come_to(view)
        if following.hold_until_ns is not None and view.now_ns < following.hold_until_ns:
            left_s = -(-(following.hold_until_ns - view.now_ns) // SECOND_NS)
            return _no(f"off: {left_s} s more, then switch on; nothing logged", Tone.WARN)
        return self.weigh(step, view, now_s)

    def weigh(self, step: Step, view: SessionView, now_s: float) -> Pressed:
        """Judge a press that was meant for this step."""
        if step.action not in _CONFIRMED:
            return Pressed(verdict=PressVerdict.LOG, step=step)
        self._awaits = (step, now_s)
        shows = "the traffic will show it and log it; else " if view.buses and step.action in POWER_KINDS else ""
        text = f"not logged yet: {shows}{self._yes} says that it is done"
        return Pressed(verdict=PressVerdict.AWAIT, step=step, text=text, tone=Tone.WARN)

    def awaited(self, now_s: float) -> Step | None:
        """Give the step that waits to be confirmed; None when none does."""
        if self._awaits is None or now_s - self._awaits[1] >= _CONFIRMED_WITHIN_S:
            return None
        return self._awaits[0]

    def forget(self) -> None:
        """Let the last press not have been: what it was for could not be written down."""
        self._pressed_s = -math.inf

    def settle(self) -> None:
        """Nothing is to be confirmed any more."""
        self._awaits = None


def current_step(view: SessionView) -> Step | None:
    """Give the step to do now; None when there is none."""
    following = view.next
    steps = () if following is None else following.test.steps[following.step :]
    return steps[0] if steps else None


def come_to(view: SessionView) -> Pressed:
    """Answer a press that cannot have been meant for what stands there now."""
    said = "" if view.next is None else step_text(view.next)
    return _no(f"just now it has come to: {said or 'watch'}. Nothing logged: press again", Tone.WARN)


def noted_with(view: SessionView) -> Action | None:
    """Give the action that a note written now is about; None: it stands for itself."""
    last = max(view.actions, key=lambda action: action.n, default=None)
    return None if last is None or last.note or view.now_ns - last.time_ns > _NOTED_WITH_NS else last


def _no(text: str, tone: Tone) -> Pressed:
    return Pressed(verdict=PressVerdict.NO, text=text, tone=tone)
