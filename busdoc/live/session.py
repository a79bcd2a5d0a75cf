"""The session at the machine: listening, judging and acting, put together, with what a screen is shown of them.

One call of `step` does what is due and returns; a screen or a terminal calls it about twenty times a second. The same
frames and actions give the same incidents and the same verdict as the post-mortem of the recording, whatever the pace.
"""

import math
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from busdoc.analysis.case import Case
from busdoc.analysis.postmortem import conclude
from busdoc.analysis.result import Result
from busdoc.analysis.unheard import has_looks, unheard
from busdoc.capture.listening import FrameSource
from busdoc.decode.database.database import Database
from busdoc.errors import InputError
from busdoc.live.acting import Acting, Hands
from busdoc.live.event_log import EventLog
from busdoc.live.judging import Judging
from busdoc.live.learnt import keep_learnt_map
from busdoc.live.listening import Listening
from busdoc.live.procedure import Procedure
from busdoc.live.view import Happening, SessionView
from busdoc.live.view_builder import Standing, look
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder
from busdoc.session.logbook import Logbook
from busdoc.session.photographs import PHOTOGRAPHS, photographs_of
from busdoc.words.counting import counted

__all__ = ["LiveSession"]

_TAKEN_EVERY_S = 0.08
"""How often what a live bus brought is taken: every taking costs much the same, however little came in."""


class LiveSession:
    """A session, live or played back.

    Parameters
    ----------
    source : what is listened to; started by `start`
    machine : the map, empty when there is none
    database : None when there is none
    folder : where it is kept; None: nowhere
    asked : the symptom that is isolated, as `--symptom` names it; None: what stands out
    guided : names that the map does not have are new branches; None: only without parts on the map
    hands : do what is pressed, to a practice machine; None: the person's own do
    clock_s : a clock that only goes on, s
    """

    def __init__(
        self,
        source: FrameSource,
        machine: Machine,
        database: Database | None = None,
        *,
        folder: SessionFolder | None = None,
        asked: str | None = None,
        guided: bool | None = None,
        hands: Hands | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.source = source
        self.machine = machine
        self.guided = not machine.parts if guided is None else guided
        self.listeners: list[Callable[[Happening], None]] = []
        """Called with each thing that happens, once."""
        self.writes_record: Callable[[], str] | None = None
        """Called with each step; what it says of the record is told. None: nobody writes one while it runs."""
        self._folder = folder
        self._clock_s = clock_s
        self._log = Logbook(None if folder is None else folder.store, time.time_ns)
        self._procedure, self._event_log = Procedure(), EventLog()
        case = Case(machine=machine, channels=source.channels, database=database, asked=asked, patient=True)
        self._listening = Listening(source, case, folder)
        self._judging = Judging(self._listening, machine, self._log, self._procedure, self._event_log, folder, clock_s)
        acting = Acting(
            self._listening,
            self._judging,
            machine,
            self._log,
            self._procedure,
            self._event_log,
            guided=self.guided,
            hands=hands,
        )
        self._acting = acting
        self._taken_s = -math.inf
        self._announced = 0
        self._closed = False
        self._view: SessionView | None = None
        self._view_of: object = None
        # What a person does goes straight to the part that keeps it.
        self.act, self.do_next, self.note = acting.act, acting.do_next, acting.note
        self.undo, self.redo, self.retime, self.correct = acting.undo, acting.redo, acting.retime, acting.correct
        self.take_proposal, self.refuse_proposal = acting.take_proposal, acting.refuse_proposal
        self.rename, self.give_labels = acting.rename, acting.give_labels
        self.cycle, self.do_now, self.answer_silence = acting.cycle, acting.do_now, acting.answer_silence
        self.isolate = acting.isolate
        self.skip_test, self.play = acting.skip_test, acting.play
        self.in_hand_of, self.answered = self._log.in_hand_of, self._log.answered
        self.followers: list[Callable[[], None]] = []
        """Called at the end of each step, in the thread that calls it: who shows the session elsewhere."""

    @property
    def folder_path(self) -> Path | None:
        """Where it is kept; None: nowhere."""
        return None if self._folder is None else self._folder.path

    def keep_photograph(self, name: str, data: bytes) -> None:
        """Keep a photograph that a note names; it is on the disk when this returns.

        Raises
        ------
        InputError : no folder is kept, or it cannot be written
        """
        if self._folder is None:
            raise InputError("the photograph", "a session that is kept", "none", "Begin it with --session DIR.")
        self._folder.keep_photograph(name, data)

    def start(self) -> None:
        """Begin to listen, and read again what an earlier run of the same folder recorded.

        Raises
        ------
        InputError : a bus that cannot be opened, a recording or folder that cannot be used
        """
        resumed = self._folder is not None and self._folder.resumed
        if resumed:
            self._event_log.silently(True)
            self._listening.read_again()
        self._listening.start()
        if resumed:
            now_ns = self.source.now_ns()
            self._judging.look()
            self._event_log.silently(False)
            n = len(self._log.actions)
            frames = self._listening.frames
            self._event_log.note(now_ns, f"gone on with: {counted(n, 'action')}, {counted(frames, 'frame')}")
            for text in (*self._log.notes, *self._listening.recording_notes):
                self._event_log.note(now_ns, text)

    def step(self) -> None:
        """Take what came in and judge it, as far as it is due.

        Raises
        ------
        InputError : the recording that is played turns out to be unreadable
        """
        if self._closed:
            return
        now_s = self._clock_s()
        if not self._listening.gathers or self._judging.is_due(now_s) or now_s - self._taken_s >= _TAKEN_EVERY_S:
            self._taken_s = now_s
            self._listening.take()
        self._acting.press_due(all_of_them=self.source.finished)
        if self.source.finished:
            if not self._judging.is_complete:
                self._judging.judge_all()
        elif self._judging.is_due(now_s):  # a press that was due is judged at once
            self._judging.judge(now_s)
            self._acting.follow_traffic()
        self._event_log.buses(self.source.buses(), self._listening.heard_ns)
        said = "" if self.writes_record is None else self.writes_record()
        if said:
            self._event_log.record(self._listening.heard_ns, said)
        self._announce()
        for follow in self.followers:
            follow()

    def close(self) -> None:
        """Stop listening; all is on the disk when this returns."""
        if self._closed:
            return
        self._closed = True
        self._listening.stop()
        try:
            self._listening.take()
            self._acting.press_due()
            self._judging.judge_all()
            self._announce()
            self._keep_learnt()
        finally:
            if self._folder is not None:
                self._folder.close()

    def abandon(self) -> None:
        """Give up a session that could not begin; a folder made for it is taken back."""
        self._closed = True
        self._listening.stop()
        if self._folder is not None:
            self._folder.abandon()

    def happenings(self, after: int) -> tuple[Happening, ...]:
        """Give what happened after the one with this number."""
        return self._event_log.after(after)

    @property
    def amended(self) -> int:
        """How often something that happened has been worded anew since it was told."""
        return self._event_log.amended

    def view(self) -> SessionView:
        """Give all that is shown, as of the last step."""
        now = (self._judging.revision, self._listening.heard_ns)
        if self._view is None or self._view_of != now:
            self._view, self._view_of = look(self._standing()), now
        return self._view

    def result(self) -> Result:
        """Give the whole result, as the post-mortem of the recording does.

        Raises
        ------
        InputError : nothing was heard
        """
        watches, listening, actions = self._listening.watches, self._listening, self._log.numbered()
        if watches.start_ns is None and (listening.without_a_bus or has_looks(actions)):
            case = replace(listening.case(closed=False), asked=self._judging.asked)
            health = unheard(actions, listening.began_ns, listening.heard_ns)
        elif watches.start_ns is None:
            raise InputError("the session", "frames", "none so far", "Listen to a bus that speaks.")
        else:
            case = replace(listening.case(closed=self._closed), asked=self._judging.asked)
            health = watches.close()
        result = conclude(case, watches, health, actions)
        if self._folder is None:
            return result
        return replace(result, photographs=photographs_of(self._folder.path / PHOTOGRAPHS, result.actions))

    def _standing(self) -> Standing:
        listening, judging = self._listening, self._judging
        return Standing(
            source=self.source,
            machine=Machine() if judging.foreign else self.machine,
            guided=self.guided,
            facts=listening.case().facts,
            health=judging.health,
            because=judging.because,
            codes=judging.codes,
            weighed=judging.weighed,
            log=self._log,
            procedure=self._procedure,
            proposals=judging.proposals,
            gaps=listening.gaps,
            frames_per_s=listening.frames_per_s,
            frames=listening.frames,
            heard_ns=listening.heard_ns,
            recorder=listening.recorder,
            trouble=judging.trouble,
            foreign=judging.foreign,
            without_a_bus=listening.without_a_bus,
            silence=judging.power.silence,
            alarm=self._acting.alarm,
        )

    def _announce(self) -> None:
        for happening in self._event_log.after(self._announced):
            self._announced = happening.n
            for listener in self.listeners:
                listener(happening)

    def _keep_learnt(self) -> None:
        """Keep the branches that were named, and who was heard, as a map for the next time."""
        health = self._judging.health
        if self._folder is None or health is None or not self._acting.branches:
            return
        try:
            keep_learnt_map(self._folder, health, self._judging.because, self._acting.state)
        except InputError as error:
            self._event_log.note(self._listening.heard_ns, f"no map was kept of the branches: {error}")
