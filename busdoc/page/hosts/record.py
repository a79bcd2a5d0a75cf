"""What the page shows of `busdoc record`: how the recording goes, and the button that marks this moment."""

import time
from collections.abc import Callable, Mapping, Sequence
from datetime import tzinfo
from pathlib import Path

from busdoc.actions.action import ActionKind
from busdoc.actions.mark import append_mark
from busdoc.actions.words import order_in_words
from busdoc.analysis.result import USUAL_CAUTIONS
from busdoc.capture.listening import FrameSource
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.recorder.twofold import TwofoldRecorder
from busdoc.errors import InputError, found_instead
from busdoc.files.whole import write_whole
from busdoc.live.bell import Bell
from busdoc.page.hosts.base import Answers, Lately, bus_notes, time_of_day
from busdoc.page.press import Answer, Press
from busdoc.screen.drawing.styles import Tone
from busdoc.session.photographs import PHOTOGRAPHS
from busdoc.times import SECOND_NS
from busdoc.words.sentence import capital

__all__ = ["RecordHost"]

_AHEAD_S = 5.0


class RecordHost:
    """A recording on the page.

    Parameters
    ----------
    source : what is listened to
    recorder : keeps it
    status : gives how it goes, in the words of the line on the terminal
    marked : called when a mark was made
    zone : of the times of day; None: the laptop's own
    """

    def __init__(
        self,
        source: FrameSource,
        recorder: LogRecorder | TwofoldRecorder,
        status: Callable[[], Sequence[str]],
        marked: Callable[[], None],
        *,
        zone: tzinfo | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._source, self._recorder, self._zone = source, recorder, zone
        self._status, self._marked = status, marked
        self._lately = Lately(Bell(quiet=True), clock_s)
        self._answers = Answers()
        self._start_ns = source.now_ns()

    def tell(self, text: str) -> None:
        """Take a line that stays on the terminal."""
        now_ns = self._source.now_ns()
        self._lately.tell(self._at(now_ns), text, time_ns=now_ns)

    def hear(self) -> bool:
        """Say whether something is new."""
        return self._lately.tick()

    def sections(self) -> Mapping[str, object]:
        """Give all that is shown."""
        self.hear()
        trouble = self._recorder.state.trouble
        press = {"what": "mark"}
        text = capital(order_in_words(ActionKind.MARK, None))
        return {
            "head": {"title": "busdoc record", "notes": bus_notes(self._source)},
            "clock": self._at(self._source.now_ns()),
            "troubles": [trouble] if trouble else [],
            "state": {
                "text": "not recording" if trouble else "recording",
                "tone": str(Tone.BAD if trouble else Tone.GOOD),
                "mark": "",
            },
            "roll": [],
            "step": {"text": text, "say": "", "which": "", "after": [], "held": "", "cautions": [], "press": press},
            "wait": {"left": "", "text": ""},
            "verdict": {"short": "", "tone": str(Tone.STRONG), "text": " | ".join(self._status())},
            "asks": [],
            "out": [],
            "done": [],
            "menu": [{"text": "Mark this moment, with a note or a photograph", "press": press, "writes": True}],
            "cautions": list(USUAL_CAUTIONS),
            "lately": self._lately.latest_first,
            "sounds": self._lately.sounds.kept,
        }

    def press(self, press: Press, server_s: float) -> Answer:
        """Make a mark, once; what is sent again after a new start is found in the file."""
        told = self._answers.given(press)
        if told is not None:
            return told
        if press.what != "mark":
            return Answer(text="nothing of that name can be pressed; nothing logged", tone=Tone.WARN)
        at_ns = round(press.at_s * 1000) * (SECOND_NS // 1000)
        if at_ns > self._source.now_ns() + _AHEAD_S * SECOND_NS:
            return Answer(text="pressed in the future; nothing logged", tone=Tone.WARN)
        texts = (press.said.get("text", ""), press.said.get("photograph", ""), f"by {press.by}" if press.by else "")
        note = ", ".join(text for text in texts if text)
        try:
            for place in self._recorder.places:
                append_mark(place.marks_file, at_ns, note, once=True)
        except InputError as error:
            return Answer(text=f"NOT LOGGED. {error}", tone=Tone.ALARM)
        self._marked()
        text = f"marked: {note}" if note else "marked"
        self._lately.tell(self._at(at_ns), text, time_ns=at_ns, kind="action", aloud=False)
        answer = Answer(text=f"marked {self._at(at_ns)}", tone=Tone.GOOD, logged=True)
        return self._answers.keep(press, answer)

    def keep_photograph(self, name: str, data: bytes) -> None:
        """Keep a photograph beside the marks.

        Raises
        ------
        InputError : it cannot be written
        """
        for place in self._recorder.places:
            folder: Path = place.marks_file.parent / PHOTOGRAPHS
            try:
                folder.mkdir(exist_ok=True)
                write_whole(folder / name, data)
            except OSError as error:
                found = found_instead(error)
                raise InputError(str(folder), "room for a photograph", found, "Make room on the disk.") from error

    def _at(self, t_ns: int) -> str:
        return time_of_day(t_ns, self._start_ns, self._source, self._zone)
