"""What the page shows of `busdoc isolate`: the records of the screen in the screen's own words, and its presses.

Nothing is judged here. A press goes through the same rules as the key at the machine (`busdoc.screen.step_press`), and
is answered only when the session's call has returned, and then it is on the disk.
"""

import math
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.analysis.result import USUAL_CAUTIONS
from busdoc.errors import BusdocError, InputError
from busdoc.isolation.verdict import Step
from busdoc.live.bell import Bell
from busdoc.live.session import LiveSession
from busdoc.live.view import Happening, HappeningKind, SessionView, SilenceAnswer
from busdoc.page.hosts.base import Answers, Lately, pressed_ns
from busdoc.page.hosts.picture import isolate_picture, menu_of
from busdoc.page.press import Answer, Press
from busdoc.screen.areas.big_view import in_question
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import logged_in_words, moment, undone_in_words
from busdoc.screen.step_press import Pressed, PressVerdict, StepPress, come_to, current_step, noted_with
from busdoc.times import SECOND_NS

__all__ = ["YES", "IsolateHost"]

YES = '"yes, it is done"'
"""The button that confirms, as the rules against stray presses speak of it."""
_MOST_PHONES = 64
_CHOICES_EVERY_S = 2.0
"""What else can be logged is long and changes little."""
_ALL_IN_STEP = "all in step"
_UNSPOKEN = (HappeningKind.BUS, HappeningKind.NOTE)


class IsolateHost:
    """A live session on the page.

    Parameters
    ----------
    session : what runs
    zone : of the times of day; None: the laptop's own
    clock_s : a clock that only goes on, s
    """

    def __init__(
        self, session: LiveSession, *, zone: tzinfo | None = None, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._session = session
        self._zone = zone
        self._seen = 0
        self._lately = Lately(Bell(), clock_s)
        self._amended = 0
        self._hands: OrderedDict[str, StepPress] = OrderedDict()
        self._answers = Answers()
        self._clock_s = clock_s
        self._menu: Sequence[Mapping[str, object]] = ()
        self._chosen_s = -math.inf
        self._began_ns = session.source.now_ns()
        self._do: Mapping[str, Callable[[Press, SessionView, int], Answer]] = {
            "step": self._press_step,
            "yes": self._confirm,
            "act": self._act,
            "cycle": self._cycle,
            "note": self._note,
            "undo": self._undo,
            "redo": self._redo,
            "ago": self._ago,
            "take": self._take,
            "refuse": self._refuse,
            "silence": self._silence,
            "labels": self._labels,
            "other": self._other,
        }

    def hear(self) -> bool:
        """Take what happened since the last time; True: something did."""
        if self._session.amended != self._amended:
            self._amended = self._session.amended
            self._lately.amend(
                {one.n: one.text for one in self._session.happenings(0) if one.kind is HappeningKind.LOST}
            )
        new = self._session.happenings(self._seen)
        if new:
            self._seen = new[-1].n
            view = self._session.view()
            for one in new:
                self._tell(one, view)
        return self._lately.tick()

    def sections(self) -> Mapping[str, object]:
        """Give all that is shown."""
        changed = self.hear()
        view = self._session.view()
        now_s = self._clock_s()
        if changed or now_s - self._chosen_s >= _CHOICES_EVERY_S:
            self._chosen_s, self._menu = now_s, menu_of(view)
        return {
            **isolate_picture(view, self._zone),
            "menu": self._menu,
            "cautions": list(dict.fromkeys((*view.cautions, *USUAL_CAUTIONS))),
            "lately": self._lately.latest_first,
            "sounds": self._lately.sounds.kept,
        }

    def press(self, press: Press, server_s: float) -> Answer:
        """Do what was pressed, once."""
        told = self._answers.given(press)
        if told is not None:
            return told
        if press.mark in self._session.answered:  # the answer was lost together with the session's process
            return self._answers.keep(press, self._logged_before(self._session.answered[press.mark]))
        do = self._do.get(press.what)
        if do is None:
            return Answer(text="nothing of that name can be pressed; nothing logged", tone=Tone.WARN)
        view = self._session.view()
        at_ns = pressed_ns(self._session.source, press, server_s)
        if at_ns < min(view.start_ns, self._began_ns):
            answer = Answer(text="pressed before this session began; nothing logged", tone=Tone.WARN)
            return self._answers.keep(press, answer)
        try:
            with self._session.in_hand_of(press.by, press.mark):
                answer = do(press, replace(view, now_ns=min(view.now_ns, at_ns)), at_ns)
        except BusdocError as error:
            self._hand(press).forget()
            return Answer(text=f"NOT LOGGED. {error}", tone=Tone.ALARM)
        return self._answers.keep(press, answer)

    def keep_photograph(self, name: str, data: bytes) -> None:
        """Keep a photograph in the session's folder.

        Raises
        ------
        InputError : there is none, or it cannot be written
        """
        self._session.keep_photograph(name, data)

    # Presses

    def _press_step(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        """Log the step that the phone showed, by the rules of the machine's key."""
        hand, meant = self._hand(press), _step_of(press)
        if meant == current_step(view):
            hand.shown(meant, press.since_s)
            return self._judged(hand.press(view, press.at_s), press, at_ns)
        already = self._done_already(meant, view, press.since_s, press.at_s, at_ns)
        if already is not None:
            text = f"{logged_in_words(already, self._at(already.time_ns))}, before this press; nothing more logged"
            return Answer(text=text, tone=Tone.FAINT, n=already.n)
        if not press.was_cut_off:
            return _told(come_to(view))
        return self._judged(hand.weigh(meant, view, press.at_s), press, at_ns)

    def _judged(self, pressed: Pressed, press: Press, at_ns: int) -> Answer:
        step = pressed.step
        if pressed.verdict is PressVerdict.LOG and step is not None:
            return self._logged(press, self._session.act(step.action, step.part, step.into, pressed_ns=at_ns))
        if pressed.verdict is PressVerdict.AWAIT and step is not None and step.action in POWER_KINDS:
            self._session.do_now()
        return _told(pressed)

    def _confirm(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        hand, meant = self._hand(press), _step_of(press)
        awaited = hand.awaited(press.at_s)
        hand.settle()
        if awaited is None or awaited != meant or meant != current_step(view):
            return Answer(text="nothing waits to be confirmed; nothing logged", tone=Tone.FAINT)
        return self._logged(press, self._session.act(meant.action, meant.part, meant.into, pressed_ns=at_ns))

    def _act(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        kind, said = _kind_of(press), press.said
        action = self._session.act(
            kind,
            said.get("part") or None,
            said.get("into") or None,
            pressed_ns=at_ns,
            note=_with_photograph(press) if kind in REMARKS else "",
        )
        return self._logged(press, action)

    def _cycle(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        action = self._session.cycle(press.said.get("part") or None)
        if action is None:
            return Answer(text="switch it off now: the traffic will show it and log it", tone=Tone.WARN)
        return self._logged(press, action)

    def _note(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        text = _with_photograph(press)
        if not text:
            return Answer(text="nothing was written; nothing logged", tone=Tone.FAINT)
        with_it = noted_with(view)
        if with_it is not None:
            return self._logged(press, self._session.correct(with_it.n, note=text))
        return self._logged(press, self._session.act(ActionKind.MARK, note=text, pressed_ns=at_ns))

    def _undo(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        if press.n is None:
            return Answer(text="nothing to undo", tone=Tone.FAINT)
        action = self._session.undo(press.n)
        if action is None:
            return Answer(text="nothing to undo", tone=Tone.FAINT)
        text = undone_in_words(action, self._at(action.time_ns), stands=False)
        return Answer(text=text, tone=Tone.WARN, logged=True, n=action.n)

    def _redo(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        action = self._session.redo()
        return Answer(text="nothing to redo", tone=Tone.FAINT) if action is None else self._logged(press, action)

    def _ago(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        text = press.said.get("text", "")
        if press.n is None or not text.isascii() or not text.isdigit():
            raise InputError("ago", "an action and whole seconds", f'"{text}"', "Choose how long ago it was.")
        return self._logged(press, self._session.retime(press.n, float(text)))

    def _take(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        return self._logged(press, self._session.take_proposal(press.said.get("key", "")))

    def _refuse(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        self._session.refuse_proposal(press.said.get("key", ""))
        return Answer(text="refused", tone=Tone.FAINT, logged=True)

    def _silence(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        key = press.said.get("key", "")
        if key not in list(SilenceAnswer):
            raise InputError("the answer", ", ".join(SilenceAnswer), f'"{key}"', "Choose one of them.")
        return self._logged(press, self._session.answer_silence(SilenceAnswer(key)))

    def _labels(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        self._session.give_labels()
        text = "labels given: tape them on before anything is pulled"
        return Answer(text=text, tone=Tone.GOOD, logged=True)

    def _other(self, press: Press, view: SessionView, at_ns: int) -> Answer:
        self._session.skip_test()
        return Answer(text="another test, if there is one", tone=Tone.FAINT)

    # Beside presses

    def _hand(self, press: Press) -> StepPress:
        hand = self._hands.setdefault(press.phone, StepPress(YES))
        self._hands.move_to_end(press.phone)
        while len(self._hands) > _MOST_PHONES:
            self._hands.popitem(last=False)
        return hand

    def _logged(self, press: Press, action: Action) -> Answer:
        self._hand(press).settle()
        text = logged_in_words(action, self._at(action.time_ns))
        return Answer(text=text, tone=Tone.GOOD, logged=True, n=action.n)

    def _logged_before(self, n: int | None) -> Answer:
        action = next((one for one in self._session.view().actions if one.n == n), None)
        if action is None:
            return Answer(text="logged before the session was gone on with", tone=Tone.GOOD, logged=True, n=n)
        return Answer(text=logged_in_words(action, self._at(action.time_ns)), tone=Tone.GOOD, logged=True, n=n)

    def _done_already(self, step: Step, view: SessionView, since_s: float, at_s: float, at_ns: int) -> Action | None:
        """Give the action that did this step already, after it came up on the phone; None: none did."""
        since_ns = at_ns - round(max(0.0, at_s - since_s) * SECOND_NS)
        done = [one for one in view.actions if one.kind not in REMARKS]
        same = [one for one in done if one.part == step.part or (step.part is not None and one.into == step.part)]
        last = max(same, key=lambda one: (one.time_ns, one.n), default=None)
        if last is None or last.kind is not step.action or last.time_ns < since_ns:
            return None
        return last

    def _tell(self, one: Happening, view: SessionView) -> None:
        text = one.text
        if one.kind is HappeningKind.BACK and view.controllers and in_question(view) is None:
            text = f"{text}; {_ALL_IN_STEP}"
        said = one.kind not in _UNSPOKEN
        at, rings = self._at(one.time_ns), [one.kind]
        self._lately.tell(at, text, time_ns=one.time_ns, kind=str(one.kind), rings=rings, aloud=said, n=one.n)

    def _at(self, t_ns: int) -> str:
        return moment(t_ns, self._session.view().start_ns, epoch=self._session.source.epoch, zone=self._zone)


def _step_of(press: Press) -> Step:
    return Step(action=_kind_of(press), part=press.said.get("part") or None, into=press.said.get("into") or None)


def _kind_of(press: Press) -> ActionKind:
    name = press.said.get("action", "")
    if name not in list(ActionKind):
        raise InputError("the press", "something that can be done", f'"{name}"', "Load the page again.")
    return ActionKind(name)


def _with_photograph(press: Press) -> str:
    return " ".join(text for text in (press.said.get("text", ""), press.said.get("photograph", "")) if text)


def _told(pressed: Pressed) -> Answer:
    awaits = pressed.verdict is PressVerdict.AWAIT
    return Answer(text=pressed.text, tone=pressed.tone, awaits=awaits)
