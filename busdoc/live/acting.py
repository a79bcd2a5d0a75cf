"""Acting: what a person does at the machine, kept at once, followed by the procedure, and told.

What cannot be done raises `InputError` before anything was written down.
"""

from collections.abc import Sequence
from typing import Protocol

from busdoc.actions.action import (
    NOT_SWITCHED,
    OWN_LEAD_IN,
    OWN_LEAD_OUT,
    POWER_KINDS,
    REMARKS,
    Action,
    ActionKind,
    Origin,
)
from busdoc.actions.plugged import PlugState
from busdoc.errors import InputError
from busdoc.live.event_log import EventLog
from busdoc.live.judging import Judging
from busdoc.live.listening import Listening
from busdoc.live.power import already_shown
from busdoc.live.procedure import Procedure
from busdoc.live.tree import connectors
from busdoc.live.view import SilenceAnswer
from busdoc.live.view_builder import plugged
from busdoc.machine.machine import Machine
from busdoc.session.logbook import Logbook
from busdoc.times import SECOND_NS

__all__ = ["Acting", "Hands"]

_PRESS_UNCERTAINTY_NS = SECOND_NS
"""Standard deviation of a press: people press after they plug (common practice)."""
_SHOWN_UNCERTAINTY_S = 0.5
"""Standard deviation of a time that the traffic shows: controllers live on for a moment, and take one to start."""
_ALARM_SHOWN_NS = 6 * SECOND_NS
_SAME_CYCLE_NS = 600 * SECOND_NS
"""A supply that comes on so soon after it went is on again (bound on what one answer may mean)."""
_NEEDS_PART = (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.WIGGLE, ActionKind.REPLACE, ActionKind.SWAP)
_LEADS_OFF = (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.REPLACE)


class Hands(Protocol):
    """What does to a practice machine what is pressed."""

    def do(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> None:
        """Do it, before it is written down."""
        ...

    def put_back(self, action: Action) -> None:
        """Put back what was done by mistake."""
        ...


class Acting:
    """What is done in a session.

    Parameters
    ----------
    listening : gives the time on the clock of the frames
    judging : is told that something was done, and holds what is proposed
    machine : the map, empty when there is none
    log : keeps what is done
    procedure : follows it
    event_log : is told of it
    guided : names that the map does not have are new branches
    hands : do what is pressed, to a practice machine; None: the person's own do
    """

    def __init__(
        self,
        listening: Listening,
        judging: Judging,
        machine: Machine,
        log: Logbook,
        procedure: Procedure,
        event_log: EventLog,
        *,
        guided: bool,
        hands: Hands | None = None,
    ) -> None:
        self._hands = hands
        self._listening, self._judging = listening, judging
        self._machine, self._guided = machine, guided
        self._log, self._procedure, self._event_log = log, procedure, event_log
        self._to_play: list[Action] = []
        self._plays = False
        """A journal says what was done: it is believed, and the traffic adds nothing to it."""
        self._alarmed = ""
        self._alarm_until_ns = 0

    @property
    def state(self) -> PlugState:
        """What is plugged where, as far as it was written down."""
        return plugged(self._machine, self._log.actions)

    @property
    def branches(self) -> set[str]:
        """The names of branches that no map has."""
        return {name for name in self.state.place_of if name not in self._machine}

    def play(self, actions: Sequence[Action]) -> None:
        """Press at their times, as the source comes to them, the actions of a journal."""
        self._to_play = sorted((*self._to_play, *actions), key=lambda action: action.time_ns)
        self._plays = True

    def press_due(self, *, all_of_them: bool = False) -> None:
        """Press what is to be played up to now.

        Parameters
        ----------
        all_of_them : nothing more comes; the rest is pressed too

        Raises
        ------
        InputError : it could not be logged
        """
        while self._to_play and (all_of_them or self._to_play[0].time_ns <= self._listening.heard_ns):
            self._do(self._to_play.pop(0))

    def act(
        self,
        kind: ActionKind,
        part: str | None = None,
        into: str | None = None,
        *,
        time_ns: int | None = None,
        pressed_ns: int | None = None,
        uncertainty_s: float = _PRESS_UNCERTAINTY_NS / SECOND_NS,
        note: str = "",
        origin: Origin = Origin.JOURNAL,
    ) -> Action:
        """Log an action, at this instant unless told; it is on disk when this returns.

        A press for what the traffic has shown and logged already is that entry, and no second one.

        Parameters
        ----------
        time_ns : when it was done, as something else than a hand knows it
        pressed_ns : when a hand pressed, where that was before now: its press was a while on the way

        Raises
        ------
        InputError : a part that is not on the map, an action that makes no sense, or a disk that is full; nothing was
            logged then
        """
        self._check(kind, part, into)
        if kind in POWER_KINDS and time_ns is None and origin is Origin.JOURNAL:
            shown = self._already_shown(kind, part)
            if shown is not None:
                return shown
        if self._hands is not None and time_ns is None:
            self._hands.do(kind, part, into)
        action = self._log.act(
            kind,
            part,
            into,
            time_ns=self._time_ns(time_ns, pressed_ns),
            uncertainty_ns=round(uncertainty_s * SECOND_NS),
            note=note,
            origin=origin,
        )
        self._procedure.did(action)
        self._event_log.action(action)
        self._judging.anew()
        return action

    def _time_ns(self, time_ns: int | None, pressed_ns: int | None) -> int:
        """Give when it was done; a press from afar lies neither before the session nor in the future."""
        if time_ns is not None:
            return time_ns
        now_ns = self._listening.source.now_ns()
        return now_ns if pressed_ns is None else min(pressed_ns, now_ns)

    def follow_traffic(self) -> None:
        """Log what the traffic shows of the power, and take back what it contradicts.

        Raises
        ------
        InputError : it could not be written down
        """
        if self._plays:
            return
        said = self._judging.power
        now_ns = self._listening.heard_ns
        if said.alarm and said.alarm != self._alarmed:
            self._event_log.alarm(said.alarm, now_ns)
            self._alarm_until_ns = now_ns + _ALARM_SHOWN_NS
        self._alarmed = said.alarm or self._alarmed
        if now_ns >= self._alarm_until_ns:
            self._alarmed = ""
        if said.strike is not None:
            self.undo(said.strike, by_hand=False)
        if said.done is not None:
            kind, part, time_ns = said.done
            self.act(kind, part, time_ns=time_ns, uncertainty_s=_SHOWN_UNCERTAINTY_S, origin=Origin.BUS)

    @property
    def alarm(self) -> str:
        """Why hands are in danger, or were a moment ago; empty: they are not."""
        return self._alarmed

    def cycle(self, feed: str | None) -> Action | None:
        """Log that a supply was switched off and on again, with the times that the traffic shows.

        Returns
        -------
        The last of what was logged; None when the traffic shows nothing yet: the two stages are asked for then

        Raises
        ------
        InputError : no such feed, or it could not be written down
        """
        self._check(ActionKind.POWER_CYCLE, feed, None)
        shown = self._already_shown(ActionKind.POWER_CYCLE, feed)
        if shown is not None:
            return shown
        if self._listening.without_a_bus:
            return self.act(ActionKind.POWER_CYCLE, feed)
        seen = self._judging.seen_cycle(feed)
        if seen is None:
            self._procedure.begin_cycle(feed)
            self._judging.revision += 1
            return None
        self.act(ActionKind.POWER_OFF, feed, time_ns=seen[0], uncertainty_s=_SHOWN_UNCERTAINTY_S)
        return self.act(ActionKind.POWER_ON, feed, time_ns=seen[1], uncertainty_s=_SHOWN_UNCERTAINTY_S)

    def _already_shown(self, kind: ActionKind, part: str | None) -> Action | None:
        """Give the entry that the traffic made of what is pressed now; of a cycle half done ask for the rest."""
        shown = already_shown(self._log.actions, kind, part, self._listening.source.now_ns())
        if shown is None or kind is not ActionKind.POWER_CYCLE or shown.kind is ActionKind.POWER_ON:
            return shown
        step = self._procedure.step
        if step is None or step.action is not ActionKind.POWER_ON or step.part != part:
            self._procedure.begin_cycle(part, off_ns=shown.time_ns)
            self._judging.revision += 1
        return shown

    def answer_silence(self, answer: SilenceAnswer) -> Action:
        """Say what a silence of everybody was.

        Raises
        ------
        InputError : there is none, or it could not be written down
        """
        silence = self._judging.power.silence
        if silence is None:
            raise InputError("the answer", "a silence of everybody", "none", "Log what was done instead.")
        if answer is SilenceAnswer.KEY:
            return self.act(ActionKind.POWER_OFF, time_ns=silence.since_ns, uncertainty_s=_SHOWN_UNCERTAINTY_S)
        note = OWN_LEAD_OUT if answer is SilenceAnswer.LEAD else OWN_LEAD_IN
        return self.act(ActionKind.MARK, time_ns=silence.since_ns, note=note)

    def do_now(self) -> None:
        """Do the proposed step to a practice machine, and let its traffic show it; by a real one a person does it."""
        step = self._procedure.step
        if self._hands is not None and step is not None:
            self._hands.do(step.action, step.part, step.into)

    def do_next(self) -> Action | None:
        """Log the proposed step at this instant; None when there is no step to do.

        Raises
        ------
        InputError : it could not be logged
        """
        step = self._procedure.step
        return None if step is None else self.act(step.action, step.part, step.into)

    def undo(self, n: int | None = None, *, by_hand: bool = True) -> Action | None:
        """Take an action back, the last one unless told; None when there is none.

        Parameters
        ----------
        by_hand : somebody says so; False: the traffic does, and nobody's hands have moved

        Raises
        ------
        InputError : no such action, or the change could not be written down
        """
        action = self._log.undo(n)
        if action is not None:
            taken = all(one.n != action.n for one in self._log.actions)  # else a correction of it was
            if taken:
                if self._hands is not None and by_hand:
                    self._hands.put_back(action)
                self._procedure.undid(action)
            self._event_log.action(action, "taken back" if taken else "as it was")
            self._judging.anew()
        return action

    def redo(self) -> Action | None:
        """Do again what was taken back; None when there is nothing.

        Raises
        ------
        InputError : the change could not be written down
        """
        action = self._log.redo()
        if action is not None:
            if self._hands is not None:
                self._hands.do(action.kind, action.part, action.into)
            self._procedure.did(action)
            self._event_log.action(action, "done again")
            self._judging.anew()
        return action

    def retime(self, n: int, seconds_ago: float) -> Action:
        """Say that an action was done so many seconds before it was pressed.

        Raises
        ------
        InputError : no such action, or the change could not be written down
        """
        action = self._log.retime(n, self._log.pressed_ns(n) - round(max(0.0, seconds_ago) * SECOND_NS))
        self._event_log.action(action, f"{seconds_ago:g} s before it was pressed")
        self._judging.anew()
        return action

    def correct(self, n: int, *, part: str | None = None, note: str | None = None) -> Action:
        """Say what an action was really done to, or write a note beside it.

        Raises
        ------
        InputError : no such action or part, or the change could not be written down
        """
        old = next((action for action in self._log.actions if action.n == n), None)
        if old is not None and part is not None:
            self._check(old.kind, part, old.into)
        action = self._log.correct(n, part=part, note=note)
        self._event_log.action(action, "corrected")
        self._judging.anew()
        return action

    def rename(self, old: str, new: str) -> None:
        """Give a branch that no map names another name.

        Raises
        ------
        InputError : it is on the map, is not known, or the new name is taken
        """
        new = new.strip()
        if old in self._machine:
            raise InputError(old, "a branch that was named here", "a part of the map", "Change the map itself.")
        if old not in self.branches:
            raise InputError(old, "a branch that was named here", "no such branch", "See the list of branches.")
        if not new or new in self._machine or new in self.branches:
            raise InputError(new or "the new name", "a name that is free", "one that is not", "Take another.")
        self._log.rename(old, new)
        self._event_log.note(self._listening.heard_ns, f"{old} is called {new} now")
        self._judging.anew()

    def note(self, text: str) -> None:
        """Keep a note at this instant.

        Raises
        ------
        InputError : it could not be written down
        """
        self.act(ActionKind.MARK, note=text)

    def isolate(self, name: str | None) -> None:
        """Make another symptom the complaint; a mark in the journal says so.

        Parameters
        ----------
        name : as `--symptom` takes it; None: what stands out

        Raises
        ------
        InputError : it could not be written down
        """
        self.note(f"complaint: {name or 'what stands out'}")
        self._judging.isolate(name)

    def take_proposal(self, key: str) -> Action:
        """Log what the traffic looks like, with who said so.

        Raises
        ------
        InputError : it is no longer proposed, or could not be written down
        """
        one = next((proposal for proposal in self._judging.proposals if proposal.key == key), None)
        if one is None:
            raise InputError("the proposal", "one that stands", "one that is gone", "Log the action itself.")
        taken = self._do(one.action)
        self._judging.answered(key)
        return taken

    def refuse_proposal(self, key: str) -> None:
        """Never propose it again; what fell when no hand was at its fuse speaks against the fuse itself.

        Raises
        ------
        InputError : it could not be written down
        """
        one = next((proposal for proposal in self._judging.proposals if proposal.key == key), None)
        refused = [key]
        if one is not None and one.action.kind is ActionKind.POWER_OFF and one.action.part is not None:
            self.act(ActionKind.MARK, time_ns=one.action.time_ns, note=NOT_SWITCHED)
            refused += [  # that it came on again was asked with it
                later.key
                for later in self._judging.proposals
                if later.action.kind is ActionKind.POWER_ON and later.action.part == one.action.part
                and 0 < later.action.time_ns - one.action.time_ns < _SAME_CYCLE_NS
            ]  # fmt: skip
        for each in refused:
            self._log.refuse(each)
            self._judging.answered(each)
        self._judging.anew()

    def give_labels(self) -> None:
        """Give each connector a number to tape on; those that have one keep it.

        Raises
        ------
        InputError : they could not be written down
        """
        labels = dict(self._log.labels)
        for name in connectors(self._machine, self.state):
            if name not in labels:
                labels[name] = max(labels.values(), default=0) + 1
        self._log.give_labels(labels)
        self._judging.anew()

    def skip_test(self) -> None:
        """Propose another test."""
        self._procedure.skip()
        self._procedure.start_watch(self._listening.heard_ns)
        self._judging.revision += 1

    def _do(self, action: Action) -> Action:
        """Log what somebody else wrote down, with its time and who said so."""
        return self.act(
            action.kind,
            action.part,
            action.into,
            time_ns=action.time_ns,
            uncertainty_s=action.uncertainty_ns / SECOND_NS,
            note=action.note,
            origin=action.origin,
        )

    def _check(self, kind: ActionKind, part: str | None, into: str | None) -> None:
        if kind in _NEEDS_PART and not part:
            raise InputError(str(kind), "the name of a part", "none", "Say which part.")
        if kind is ActionKind.SWAP and not into:
            raise InputError(str(kind), "two parts", "one", "Say which two changed places.")
        others = (into,) if kind is ActionKind.SWAP else ()
        for name in (part, *others):
            if name is None or name in self._machine or kind in REMARKS:
                continue
            if not self._guided or kind not in (*_LEADS_OFF, ActionKind.WIGGLE):
                known = ", ".join([*self._machine.parts, *self._machine.controllers][:8])
                raise InputError(name, "a part of the map", "no such part", f"It has for example {known}.")
