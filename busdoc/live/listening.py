"""Listening: takes what the buses bring, keeps it on the disk, and feeds it to the watches.

Recording must not wait for judging: a frame is on the disk within a second, whatever is being weighed. So a thread of
its own gathers what comes and writes it down; what it means is worked out when the session takes what was gathered.
"""

import threading
from collections.abc import Sequence
from dataclasses import replace

from busdoc.analysis.case import Case
from busdoc.analysis.reading import pieces_of
from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FrameSource, Taken
from busdoc.capture.no_bus import NoBus
from busdoc.capture.playback import Playback
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.recorder import LogRecorder, RecorderState
from busdoc.capture.recorder.twofold import TwofoldRecorder
from busdoc.capture.source import Capture, open_capture
from busdoc.errors import InputError
from busdoc.session.folder import SessionFolder
from busdoc.times import SECOND_NS

__all__ = ["Listening"]

_FED_AT_ONCE = 1 << 14
"""Frames: after the laptop was busy many wait; in longer blocks they would have the compiled kernels loaded, which
would hold up the session again."""
_GATHERED_EVERY_S = 0.2
_RATE_OVER_NS = 2 * SECOND_NS
_NOT_RUNNING = "the recorder was not running"


class Listening:
    """What was heard so far.

    Parameters
    ----------
    source : what is listened to; started by `start`
    case : the machine, the database and the channels of the source
    folder : where frames are kept; None: nowhere

    Attributes
    ----------
    watches : fed with all that was taken
    frames : how many were taken
    heard_ns : until when was listened
    began_ns : when a session without a bus began; None: it has one, or did not begin
    """

    def __init__(self, source: FrameSource, case: Case, folder: SessionFolder | None) -> None:
        self.source = source
        self.watches = Watches(case)
        self.frames = 0
        self.heard_ns = 0
        self.began_ns: int | None = None
        self._case = case
        self._folder = folder
        self._recorder: LogRecorder | TwofoldRecorder | None = None
        self._gathering = threading.Lock()
        self._gathered: list[Taken] = []
        self._ending = threading.Event()
        self._gatherer: threading.Thread | None = None
        self._gaps: list[RecorderGap] = []
        self._open_gaps: tuple[RecorderGap, ...] = ()
        self._away_since_ns: int | None = None
        """Until when the earlier run of a folder heard, while nothing has been heard since."""
        self._lost = ""
        """What of the recording that is gone on with cannot be read at all, as a sentence."""
        self._frames_before = 0
        """Recorded by the earlier run of a folder."""
        self._lately: list[tuple[int, int]] = []
        """(ns, frames so far), for the rate."""

    @property
    def asked(self) -> str | None:
        """The symptom that is to be isolated; None: what stands out."""
        return self._case.asked

    @property
    def without_a_bus(self) -> bool:
        """Whether nothing will ever be heard, and only what is done and seen counts."""
        return isinstance(self.source, NoBus)

    @property
    def gathers(self) -> bool:
        """Whether a thread of its own records what comes in, so that taking it may wait."""
        return self._gatherer is not None

    @property
    def open_gaps(self) -> tuple[RecorderGap, ...]:
        """What is not heard right now, up to now."""
        return self._open_gaps

    @property
    def gaps(self) -> tuple[RecorderGap, ...]:
        """All that was not heard, up to now."""
        return (*self._gaps, *self._open_gaps)

    @property
    def recording_notes(self) -> tuple[str, ...]:
        """What was found damaged of the recording that is gone on with, as sentences."""
        lost = (self._lost,) if self._lost else ()
        return lost if self._recorder is None else (*lost, *self._recorder.notes)

    @property
    def recorder(self) -> RecorderState | None:
        """How the recording goes, with what an earlier run of the folder recorded; None: nothing is recorded."""
        state = None if self._recorder is None else self._recorder.state
        return None if state is None else replace(state, frames=state.frames + self._frames_before)

    @property
    def frames_per_s(self) -> float:
        """How many came in a second, over the last two."""
        (then_ns, then), (now_ns, now) = (self._lately[0], self._lately[-1]) if self._lately else ((0, 0), (0, 0))
        return (now - then) * SECOND_NS / (now_ns - then_ns) if now_ns > then_ns else 0.0

    def read_again(self) -> None:
        """Read what an earlier run of the folder recorded, as if it came in now; what lies between is a gap."""
        if self._folder is None or not self._folder.recording.is_dir():
            return
        if not any(piece.stat().st_size for piece in self._folder.recording.glob("recording-*")):
            return  # it ended before the first frame was written
        try:
            capture = open_capture([self._folder.recording])
            for taken in pieces_of(capture):
                for number in capture.channels.numbers:
                    self.source.channels.number(capture.channels.name(number))
                self._feed(taken)
                self._frames_before = self.frames
        except InputError as error:  # not one frame of it is whole
            self._lost = f"The recording of the folder gives nothing any more: {error}"

    def start(self) -> None:
        """Begin to listen and to record.

        Raises
        ------
        InputError : a bus that cannot be opened, or a recording that cannot be written
        """
        if self._folder is not None:
            self._recorder = self._folder.recorder(self.source.channels)
        self.source.start()
        self.began_ns = self.source.now_ns() if self.without_a_bus else None
        if self._recorder is not None and not isinstance(self.source, Playback):
            self._gatherer = threading.Thread(target=self._gather_on, name="record", daemon=True)
            self._gatherer.start()
        if self._folder is not None and self._folder.resumed:
            self._away_since_ns = self.heard_ns or None

    def stop(self) -> None:
        """Stop listening; what was gathered can still be taken."""
        self._ending.set()
        if self._gatherer is not None:
            self._gatherer.join()
        self.source.stop()

    def take(self) -> None:
        """Feed what came in since the last time to the watches.

        Raises
        ------
        InputError : the recording that is played turns out to be unreadable
        """
        self._gather()
        with self._gathering:
            gathered, self._gathered = self._gathered, []
        taken = _joined(gathered)
        # The first frame after an earlier run ends the time in which nobody listened.
        if len(taken.frames) and self._away_since_ns is not None:
            self._note_away(max(int(taken.frames.t_ns[0]), self._away_since_ns + 1))
        self._feed(taken)
        # Until then that time grows; nobody is accused of it.
        self.heard_ns = max(self.heard_ns, taken.heard_until_ns)
        self._open_gaps = taken.open_gaps
        if self._away_since_ns is not None and self.heard_ns > self._away_since_ns:
            self._open_gaps = (_away(self._away_since_ns, self.heard_ns), *self._open_gaps)
        # The rate is that of the last two seconds.
        self._lately.append((self.heard_ns, self.frames))
        while len(self._lately) > 2 and self._lately[1][0] < self.heard_ns - _RATE_OVER_NS:
            self._lately.pop(0)

    def case(self, *, closed: bool = False) -> Case:
        """Give the case with the facts so far, and with what can be read a second time.

        Parameters
        ----------
        closed : the session is over, its recording whole
        """
        files = () if self._folder is None else (self._folder.recording,)
        known = self._case.with_facts(self.watches.frames_by_channel, epoch=self.source.epoch, files=files)
        return replace(known, recording=self._recorded(closed=closed))

    def _recorded(self, *, closed: bool) -> Capture | None:
        if isinstance(self.source, Playback):
            return self.source.capture
        return open_capture([self._folder.recording]) if closed and self._folder is not None else None

    def _feed(self, taken: Taken) -> None:
        """Feed the watches as a recording feeds them (`busdoc.analysis.reading`), in blocks that hold up nobody."""
        for first in range(0, len(taken.frames), _FED_AT_ONCE):
            block = taken.frames.slice(first, first + _FED_AT_ONCE)
            self.frames += len(block)
            self.heard_ns = max(self.heard_ns, int(block.t_ns[-1]))
            self.watches.feed(block)
        self._gaps += taken.gaps
        self.watches.note_gaps(taken.gaps)

    def _note_away(self, to_ns: int) -> None:
        assert self._away_since_ns is not None
        gap = _away(self._away_since_ns, to_ns)
        self._gaps.append(gap)
        self.watches.note_gaps((gap,))
        self._away_since_ns = None

    def _gather(self) -> None:
        """Take what came in and write it down."""
        with self._gathering:
            taken = self.source.take()
            self._gathered.append(taken)
            if self._recorder is not None and (len(taken.frames) or taken.gaps or taken.open_gaps):
                self._recorder.write(taken.frames, taken.gaps, taken.open_gaps)
            if self._recorder is not None:
                self._recorder.note(self.source.now_ns(), self.source.buses())

    def _gather_on(self) -> None:
        while not self._ending.wait(_GATHERED_EVERY_S):
            try:
                self._gather()
            except InputError:
                return  # the next taking meets it too, and tells


def _away(from_ns: int, to_ns: int) -> RecorderGap:
    return RecorderGap(from_ns=from_ns, to_ns=to_ns, channel=None, why=_NOT_RUNNING)


def _joined(taken: Sequence[Taken]) -> Taken:
    """Put what was taken one after the other together: feeding costs much the same, however few frames there are."""
    last = taken[-1]
    return replace(
        last,
        frames=FrameBlock.concat([one.frames for one in taken]),
        gaps=tuple(gap for one in taken for gap in one.gaps),
        heard_until_ns=max(one.heard_until_ns for one in taken),
    )
