"""The session at the machine: takes what is heard, judges it, keeps what is done, and says what to do next.

One call of `step` does what is due and returns; a screen or a terminal calls it about twenty times a second. The same
frames and actions give the same incidents and the same verdict as the post-mortem of the recording, whatever the pace.
"""

import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.plugged import PlugState
from busdoc.analysis.postmortem import conclude, isolated
from busdoc.analysis.result import CaptureFacts, Result
from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FrameSource, Taken
from busdoc.capture.playback import Playback
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.source import Capture, open_capture
from busdoc.decode.database.database import Database
from busdoc.errors import InputError
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.summary import Health
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.suspects.failed_starts import STARTS_WITHIN_S
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.live.event_log import Telling
from busdoc.live.learnt import LEARNT, learnt_map, save_text
from busdoc.live.procedure import Course
from busdoc.live.rows import losses_by_controller
from busdoc.live.tree import connectors
from busdoc.live.view import Happening, Proposal, SessionView
from busdoc.live.view_builder import Standing, look, plugged, proposed
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder
from busdoc.session.logbook import Logbook
from busdoc.session.store import incident_bodies
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted

__all__ = ["LiveSession"]

_JUDGED_EVERY_S = 0.08
"""A little less than two ticks: a loss is shown at the second tick after its deadline at the latest."""
_WEIGHED_EVERY_S = 1.0
"""How often the verdict is asked anew while nothing happens but time."""
_TAKEN_EVERY_S = 0.08
"""How often what a live bus brought is taken: every taking costs much the same, however little came in."""
_FED_AT_ONCE = 1 << 14
"""Frames: after the laptop was busy many wait; in longer blocks they would have the compiled kernels loaded, which
would hold up the session again."""
_JUDGED_PAUSE, _WEIGHED_PAUSE = 3.0, 10.0
"""How many times as long as it took itself each is let rest: a long session on a slow laptop stays answerable."""
_GATHERED_EVERY_S = 0.2
_RATE_OVER_NS = 2 * SECOND_NS
_PRESS_UNCERTAINTY_NS = SECOND_NS
"""Standard deviation of a press: people press after they plug (common practice)."""
_NOT_RUNNING = "the recorder was not running"
_NO_VERDICT = IsolationVerdict(at_ns=0, trials=(), suspects=(), next_tests=())
_NEEDS_PART = (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.WIGGLE, ActionKind.REPLACE, ActionKind.SWAP)
_LEADS_OFF = (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.REPLACE)


class LiveSession:
    """A session, live or played back.

    Parameters
    ----------
    source : what is listened to; started by `start`
    machine : the map, empty when there is none
    database : None when there is none
    folder : where it is kept; None: nowhere
    guided : names that the map does not have are new branches; None: only without parts on the map
    clock_s : a clock that only goes on, s
    """

    def __init__(
        self,
        source: FrameSource,
        machine: Machine,
        database: Database | None = None,
        *,
        folder: SessionFolder | None = None,
        guided: bool | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.source = source
        self.machine = machine
        self.guided = not machine.parts if guided is None else guided
        self._database = database
        self._folder = folder
        self._clock_s = clock_s
        self._watches = Watches(machine, database, source.channels)
        self._recorder: LogRecorder | None = None
        self._log = Logbook(None if folder is None else folder.store, time.time_ns)
        self._course = Course()
        self._telling = Telling()
        self._frames = 0
        self._gathering = threading.Lock()
        self._gathered: list[Taken] = []
        self._ending = threading.Event()
        self._gatherer: threading.Thread | None = None
        self._gaps: list[RecorderGap] = []
        self._open_gaps: tuple[RecorderGap, ...] = ()
        self._heard_ns = 0
        self._away_since_ns: int | None = None
        """Until when the earlier run of a folder heard, while nothing has been heard since."""
        self._lately: list[tuple[int, int]] = []
        """(ns, frames so far), for the rate."""
        self._taken_s = self._judged_s = self._weighed_s = -math.inf
        self._judged_every_s, self._weighed_every_s = _JUDGED_EVERY_S, _WEIGHED_EVERY_S
        self._judged_to_the_end = False
        self._health: Health | None = None
        self._codes: tuple[FaultCode, ...] = ()
        self._incidents: tuple[Incident, ...] = ()
        self._because: tuple[Because, ...] = ()
        self._verdict = _NO_VERDICT
        self._weighed_for: object = None
        self._failed_starts: set[int] = set()
        """Numbers of the actions that gave power, after which a controller stayed down."""
        self._proposals: tuple[Proposal, ...] = ()
        self._kept: dict[str, object] = {}
        self._trouble = ""
        self._view: SessionView | None = None
        self._closed = False
        self._to_play: list[Action] = []
        self._announced = 0
        self.listeners: list[Callable[[Happening], None]] = []
        """Called with each thing that happens, once."""

    @property
    def folder_path(self) -> Path | None:
        """Where it is kept; None: nowhere."""
        return None if self._folder is None else self._folder.path

    # Running

    def start(self) -> None:
        """Begin to listen, and read again what an earlier run of the same folder recorded.

        Raises
        ------
        InputError : a bus that cannot be opened, a recording or folder that cannot be used
        """
        if self._folder is not None:
            if self._folder.resumed:
                self._telling.silently(True)
                self._read_again()
            self._recorder = self._folder.recorder(self.source.channels)
        self.source.start()
        if self._recorder is not None and not isinstance(self.source, Playback):
            self._gatherer = threading.Thread(target=self._gather_on, name="record", daemon=True)
            self._gatherer.start()
        if self._folder is not None and self._folder.resumed:
            now_ns = self.source.now_ns()
            self._away_since_ns = self._heard_ns or None
            self._judge(self._heard_ns)
            self._telling.silently(False)
            n = len(self._log.actions)
            words = f"gone on with: {counted(n, 'action')}, {self._frames:,} frames"
            self._telling.note(now_ns, words)

    def close(self) -> None:
        """Stop listening; all is on the disk when this returns."""
        if self._closed:
            return
        self._closed = True
        self._stop_gathering()
        self.source.stop()
        try:
            self._take_gathered()
            self._press_due()
            self._judge_all()
            self._announce()
            self._save_learnt()
        finally:
            if self._folder is not None:
                self._folder.close()

    def abandon(self) -> None:
        """Give up a session that could not begin; a folder made for it is taken back."""
        self._closed = True
        self._stop_gathering()
        self.source.stop()
        if self._folder is not None:
            self._folder.abandon()

    def _save_learnt(self) -> None:
        """Keep the branches that were named, and who was heard, as a map for the next time."""
        if self._folder is None or self._health is None or not self._branches():
            return
        began = self._folder.store.about().get("began", "")
        try:
            text = learnt_map(self._health, self._because, self._state(), began=began)
            save_text(self._folder.path / LEARNT, text)
        except InputError as error:
            self._telling.note(self._heard_ns, f"no map was kept of the branches: {error}")

    def step(self) -> None:
        """Take what came in and judge it, as far as it is due.

        Raises
        ------
        InputError : the recording that is played turns out to be unreadable
        """
        if self._closed:
            return
        now_s = self._clock_s()
        is_due = now_s - self._judged_s >= self._judged_every_s
        if self._gatherer is None or is_due or now_s - self._taken_s >= _TAKEN_EVERY_S:
            self._taken_s = now_s
            self._take_gathered()
        self._press_due(all_of_them=self.source.finished)
        if self.source.finished:
            if not self._judged_to_the_end:
                self._judge_all()
        elif now_s - self._judged_s >= self._judged_every_s:  # a press that was due is judged at once
            self._judge(self._heard_ns)
            self._judged_s = now_s
            self._judged_every_s = max(_JUDGED_EVERY_S, _JUDGED_PAUSE * (self._clock_s() - now_s))
        self._telling.buses(self.source.buses(), self._heard_ns)
        self._announce()

    def play(self, actions: Sequence[Action]) -> None:
        """Press at their times, as the source comes to them, the actions of a journal."""
        self._to_play = sorted((*self._to_play, *actions), key=lambda action: action.time_ns)

    def _press_due(self, *, all_of_them: bool = False) -> None:
        while self._to_play and (all_of_them or self._to_play[0].time_ns <= self._heard_ns):
            action = self._to_play.pop(0)
            self.act(
                action.kind,
                action.part,
                action.into,
                time_ns=action.time_ns,
                uncertainty_s=action.uncertainty_ns / SECOND_NS,
                note=action.note,
                origin=action.origin,
            )

    def _announce(self) -> None:
        for happening in self._telling.after(self._announced):
            self._announced = happening.n
            for listener in self.listeners:
                listener(happening)

    def _gather(self) -> None:
        """Take what came in and write it down; what it means is worked out by the next step."""
        with self._gathering:
            taken = self.source.take()
            self._gathered.append(taken)
            if self._recorder is not None and (len(taken.frames) or taken.gaps):
                self._recorder.write(taken.frames, taken.gaps)

    def _gather_on(self) -> None:
        """Keep recording while a step takes long: a frame is on the disk within a second, whatever is being weighed."""
        while not self._ending.wait(_GATHERED_EVERY_S):
            try:
                self._gather()
            except InputError:
                return  # the next step meets it too, and tells

    def _stop_gathering(self) -> None:
        self._ending.set()
        if self._gatherer is not None:
            self._gatherer.join()

    def _take_gathered(self) -> None:
        self._gather()
        with self._gathering:
            gathered, self._gathered = self._gathered, []
        self._take(_joined(gathered))

    def _take(self, taken: Taken) -> None:
        if len(taken.frames):
            if self._away_since_ns is not None:
                to_ns = max(int(taken.frames.t_ns[0]), self._away_since_ns + 1)
                self._note_gap(RecorderGap(from_ns=self._away_since_ns, to_ns=to_ns, channel=None, why=_NOT_RUNNING))
                self._away_since_ns = None
            for first in range(0, len(taken.frames), _FED_AT_ONCE):
                self._feed(taken.frames.slice(first, first + _FED_AT_ONCE))
        for gap in taken.gaps:
            self._note_gap(gap)
        self._heard_ns = max(self._heard_ns, taken.heard_until_ns)
        self._open_gaps = taken.open_gaps
        if self._away_since_ns is not None and self._heard_ns > self._away_since_ns:
            away = RecorderGap(from_ns=self._away_since_ns, to_ns=self._heard_ns, channel=None, why=_NOT_RUNNING)
            self._open_gaps = (away, *self._open_gaps)
        self._lately.append((self._heard_ns, self._frames))
        while len(self._lately) > 2 and self._lately[1][0] < self._heard_ns - _RATE_OVER_NS:
            self._lately.pop(0)

    def _feed(self, frames: FrameBlock) -> None:
        self._frames += len(frames)
        self._watches.feed(frames)
        self._heard_ns = max(self._heard_ns, int(frames.t_ns[-1]))

    def _note_gap(self, gap: RecorderGap) -> None:
        self._gaps.append(gap)
        self._watches.note_gap(gap.from_ns, gap.to_ns, gap.channel, gap.why)

    def _read_again(self) -> None:
        """Read what the folder's recording holds, as if it came in now."""
        assert self._folder is not None
        if not self._folder.recording.is_dir() or not any(self._folder.recording.glob("recording-*")):
            return
        capture = open_capture([self._folder.recording])
        try:
            for block in capture.blocks():
                for number in capture.channels.numbers:
                    self.source.channels.number(capture.channels.name(number))
                self._feed(block)
        except InputError:
            return  # an earlier run that heard not one frame
        for gap in capture.gaps:
            self._note_gap(gap)

    # Judging

    def _judge_all(self) -> None:
        """Judge and weigh whatever was heard and done, where nothing more can come."""
        self._weighed_for = None
        self._judge(self._heard_ns)
        self._judged_to_the_end = True

    def _judge(self, until_ns: int) -> None:
        if self._watches.start_ns is None:
            return
        health = self._watches.so_far(until_ns, self._open_gaps)
        found = self._watches.codes(health)
        incidents = sorted((*health.incidents, *found.incidents), key=lambda incident: incident.onset_ns)
        self._health = replace(health, incidents=tuple(incidents))
        self._codes = found.codes
        now_s = self._clock_s()
        state = (self._log.changes, tuple((i.kind, i.last_seen_ns, i.back_ns, i.controllers) for i in incidents))
        if state != self._weighed_for or now_s - self._weighed_s >= _WEIGHED_EVERY_S:
            fresh = {(i.kind, i.last_seen_ns, i.controllers) for i in self._incidents}
            anew = state != self._weighed_for
            self._weighed_for, self._weighed_s = state, now_s
            self._weigh(anew=anew)
            self._follow(fresh)
        self._incidents = self._health.incidents
        self._telling.losses(losses_by_controller(self._health.incidents, self._because), until_ns)
        self._telling.codes(self._health.incidents)
        self._course.tick(until_ns)
        self._view = None

    def _weigh(self, *, anew: bool) -> None:
        """Ask which action and which part it was, and what to do next."""
        assert self._health is not None
        actions = self._log.numbered()
        self._because = attribute(self._health, actions, self.machine)
        self._verdict = isolated(self.machine, self._health, actions, self._because, self._codes)
        self._telling.verdict(self._verdict)
        self._course.propose(self._verdict.next_tests, anew=anew)
        self._course.start_watch(self._heard_ns)
        taught = any(action.kind is ActionKind.UNPLUG for action in actions)
        self._proposals = proposed(
            self.machine,
            self._health,
            self._watches.availability(),
            actions,
            turned=self._watches.turned() if taught else (),
            codes=self._codes,
            refused=self._log.refused,
        )
        self._keep_incidents()

    def _follow(self, known: set[tuple[IncidentKind, int, tuple[str, ...]]]) -> None:
        """Let the course know of what fell for no reason of its own."""
        assert self._health is not None
        for incident, because in zip(self._health.incidents, self._because, strict=True):
            key = (incident.kind, incident.last_seen_ns, incident.controllers)
            if key in known or because.expected or incident.kind not in (IncidentKind.DROPOUT, IncidentKind.RESTART):
                continue
            self._course.fell(incident.onset_ns)
        self._follow_start()

    def _follow_start(self) -> None:
        """Let the course know of a controller that did not start with the power: no watch will tell more."""
        assert self._health is not None
        last = next((a for a in reversed(self._log.numbered()) if a.kind is not ActionKind.MARK), None)
        if last is None or last.kind not in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE):
            return
        if last.n in self._failed_starts or self._heard_ns < last.time_ns + STARTS_WITHIN_S * SECOND_NS:
            return
        still_down = {
            name
            for incident, because in zip(self._health.incidents, self._because, strict=True)
            if incident.kind is IncidentKind.DROPOUT and incident.back_ns is None and not because.expected
            for name in incident.controllers
            if last.part is None or (name in self.machine and last.part in self.machine.above(name))
        }
        if still_down:
            self._failed_starts.add(last.n)
            self._course.fell(self._heard_ns)

    def _keep_incidents(self) -> None:
        if self._folder is None or self._health is None:
            return
        bodies = incident_bodies(self._health.incidents, self._because)
        changed = {key: body for key, body in bodies.items() if self._kept.get(key) != body}
        gone = [key for key in self._kept if key not in bodies]
        if not changed and not gone:
            return
        try:
            self._folder.store.keep_incidents(changed, gone)
        except InputError as error:
            self._trouble = f"the journal: {error}"
            return
        self._trouble = ""
        self._kept = dict(bodies)

    # Acting

    def act(
        self,
        kind: ActionKind,
        part: str | None = None,
        into: str | None = None,
        *,
        time_ns: int | None = None,
        uncertainty_s: float = _PRESS_UNCERTAINTY_NS / SECOND_NS,
        note: str = "",
        origin: Origin = Origin.JOURNAL,
    ) -> Action:
        """Log an action, at this instant unless told; it is on disk when this returns.

        Raises
        ------
        InputError : a part that is not on the map, an action that makes no sense, or a disk that is full; nothing was
            logged then
        """
        self._check(kind, part, into)
        action = self._log.act(
            kind,
            part,
            into,
            time_ns=self.source.now_ns() if time_ns is None else time_ns,
            uncertainty_ns=round(uncertainty_s * SECOND_NS),
            note=note,
            origin=origin,
        )
        self._course.did(action)
        self._telling.action(action)
        self._changed()
        return action

    def do_next(self) -> Action | None:
        """Log the proposed step at this instant; None when there is no step to do.

        Raises
        ------
        InputError : it could not be logged
        """
        step = self._course.step
        return None if step is None else self.act(step.action, step.part, step.into)

    def undo(self, n: int | None = None) -> Action | None:
        """Take an action back, the last one unless told; None when there is none.

        Raises
        ------
        InputError : no such action, or the change could not be written down
        """
        action = self._log.undo(n)
        if action is not None:
            self._course.undid(action)
            self._telling.action(action, "taken back")
            self._changed()
        return action

    def redo(self) -> Action | None:
        """Do again what was taken back; None when there is nothing.

        Raises
        ------
        InputError : the change could not be written down
        """
        action = self._log.redo()
        if action is not None:
            self._course.did(action)
            self._telling.action(action, "done again")
            self._changed()
        return action

    def retime(self, n: int, seconds_ago: float) -> Action:
        """Say that an action was done so many seconds before now.

        Raises
        ------
        InputError : no such action, or the change could not be written down
        """
        action = self._log.retime(n, self.source.now_ns() - round(seconds_ago * SECOND_NS))
        self._telling.action(action, f"{seconds_ago:g} s ago")
        self._changed()
        return action

    def rename(self, old: str, new: str) -> None:
        """Give a branch that no map names another name.

        Raises
        ------
        InputError : it is on the map, is not known, or the new name is taken
        """
        new = new.strip()
        if old in self.machine:
            raise InputError(old, "a branch that was named here", "a part of the map", "Change the map itself.")
        if old not in self._branches():
            raise InputError(old, "a branch that was named here", "no such branch", "See the list of branches.")
        if not new or new in self.machine or new in self._branches():
            raise InputError(new or "the new name", "a name that is free", "one that is not", "Take another.")
        self._log.rename(old, new)
        self._telling.note(self._heard_ns, f"{old} is called {new} now")
        self._changed()

    def note(self, text: str) -> None:
        """Keep a note at this instant.

        Raises
        ------
        InputError : it could not be written down
        """
        self.act(ActionKind.MARK, note=text)

    def take_proposal(self, key: str) -> Action:
        """Log what the traffic looks like, with who said so.

        Raises
        ------
        InputError : it is no longer proposed, or could not be written down
        """
        one = next((proposal for proposal in self._proposals if proposal.key == key), None)
        if one is None:
            raise InputError("the proposal", "one that stands", "one that is gone", "Log the action itself.")
        action = one.action
        taken = self.act(
            action.kind,
            action.part,
            action.into,
            time_ns=action.time_ns,
            uncertainty_s=action.uncertainty_ns / SECOND_NS,
            note=action.note,
            origin=action.origin,
        )
        self._answered(key)
        return taken

    def refuse_proposal(self, key: str) -> None:
        """Never propose it again.

        Raises
        ------
        InputError : it could not be written down
        """
        self._log.refuse(key)
        self._answered(key)
        self._changed()

    def _answered(self, key: str) -> None:
        """Drop a proposal at once, so that a second press before the next judgement does not answer it twice."""
        self._proposals = tuple(one for one in self._proposals if one.key != key)
        self._view = None

    def give_labels(self) -> None:
        """Give each connector a number to tape on; those that have one keep it.

        Raises
        ------
        InputError : they could not be written down
        """
        labels = dict(self._log.labels)
        for name in connectors(self.machine, self._state()):
            if name not in labels:
                labels[name] = max(labels.values(), default=0) + 1
        self._log.give_labels(labels)
        self._changed()

    def skip_test(self) -> None:
        """Propose another test."""
        self._course.skip()
        self._course.start_watch(self._heard_ns)
        self._view = None

    def _check(self, kind: ActionKind, part: str | None, into: str | None) -> None:
        if kind in _NEEDS_PART and not part:
            raise InputError(str(kind), "the name of a part", "none", "Say which part.")
        if kind is ActionKind.SWAP and not into:
            raise InputError(str(kind), "two parts", "one", "Say which two changed places.")
        others = (into,) if kind is ActionKind.SWAP else ()
        for name in (part, *others):
            if name is None or name in self.machine or kind is ActionKind.MARK:
                continue
            if not self.guided or kind not in (*_LEADS_OFF, ActionKind.WIGGLE):
                known = ", ".join([*self.machine.parts, *self.machine.controllers][:8])
                raise InputError(name, "a part of the map", "no such part", f"It has for example {known}.")

    def _changed(self) -> None:
        self._weighed_for = None
        self._taken_s = self._judged_s = -math.inf
        self._judged_to_the_end = False
        self._view = None

    # Showing

    def happenings(self, after: int) -> tuple[Happening, ...]:
        """Give what happened after the one with this number."""
        return self._telling.after(after)

    def view(self) -> SessionView:
        """Give all that is shown, as of the last step."""
        if self._view is None or self._view.now_ns != self._heard_ns:
            self._view = look(self._standing())
        return self._view

    def _standing(self) -> Standing:
        return Standing(
            source=self.source,
            machine=self.machine,
            guided=self.guided,
            facts=self._facts(),
            health=self._health,
            because=self._because,
            codes=self._codes,
            verdict=self._verdict,
            log=self._log,
            course=self._course,
            proposals=self._proposals,
            gaps=(*self._gaps, *self._open_gaps),
            lately=tuple(self._lately),
            frames=self._frames,
            heard_ns=self._heard_ns,
            recorder=None if self._recorder is None else self._recorder.state,
            trouble=self._trouble,
        )

    def _branches(self) -> set[str]:
        return {name for name in self._state().place_of if name not in self.machine}

    def _state(self) -> PlugState:
        return plugged(self.machine, self._log.actions)

    # The record

    def result(self) -> Result:
        """Give the whole result, as the post-mortem of the recording does."""
        if self._watches.start_ns is None:
            raise InputError("the session", "frames", "none so far", "Listen to a bus that speaks.")
        return conclude(
            self.machine,
            self._watches,
            self.source.channels,
            self._watches.close(),
            self._log.numbered(),
            facts=self._facts(),
            database=self._database,
            recording=self._recorded(),
        )

    def _recorded(self) -> Capture | None:
        """Give what can be read a second time: the folder's recording once it is closed, or what is played back."""
        if isinstance(self.source, Playback):
            return self.source.capture
        return open_capture([self._folder.recording]) if self._closed and self._folder is not None else None

    def _facts(self) -> CaptureFacts:
        channels = self.source.channels
        return CaptureFacts(
            files=() if self._folder is None else (self._folder.recording,),
            epoch=self.source.epoch,
            channel_names=tuple((number, channels.name(number)) for number in channels.numbers),
            channel_frames=tuple(sorted(self._watches.frames_by_channel.items())),
            skipped_lines=0,
            skipped=(),
        )


def _joined(taken: Sequence[Taken]) -> Taken:
    """Put what was taken one after the other together: feeding costs much the same, however few frames there are."""
    last = taken[-1]
    return replace(
        last,
        frames=FrameBlock.concat([one.frames for one in taken]),
        gaps=tuple(gap for one in taken for gap in one.gaps),
        heard_until_ns=max(one.heard_until_ns for one in taken),
    )
