"""The command `record`: days of unattended recording, and marks from the keyboard or another terminal.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import contextlib
import os
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings, ended_by_signals
from busdoc.cli.given.page_options import add_page_options, open_page
from busdoc.cli.options import add_also_option, add_bus_option, add_shared_option
from busdoc.cli.running.record_text import status_parts, status_text, summary_text
from busdoc.cli.status_line import StatusLine
from busdoc.errors import InputError
from busdoc.times import SECOND_NS

if TYPE_CHECKING:
    from busdoc.capture.listening import FrameSource
    from busdoc.capture.recorder.recorder import LogRecorder
    from busdoc.capture.recorder.recording import RecordingSummary
    from busdoc.capture.recorder.twofold import TwofoldRecorder
    from busdoc.cli.keys import Keys
    from busdoc.page.command import PageOfCommand
    from busdoc.page.hosts.record import RecordHost

__all__ = ["add_record", "parse_size"]

_ROTATE = "100MB"
_LEAST_PIECE_BYTES = 1000
_MOST_HOURS = 1e6

_TICK_S = 0.1
_DRAW_EVERY_S = 0.5
_MARK_KEY = "m"

_SIZE = re.compile(r"(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>|[kKMGT]?B?)")
_UNITS: dict[str, int] = {unit: 1_000**power for power, unit in enumerate(("", "k", "m", "g", "t"))}


def add_record(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc record` to the commands."""
    record = commands.add_parser(
        "record",
        help="record one or more buses for days, and nothing else; never transmits",
        description="Records every frame of one or more buses, rotates and compresses, keeps the disk from filling, "
        "finds a lost adapter again, and writes down what was not heard. The key m notes 'it happened about now'. "
        "Ctrl-C ends it. Started again on the same folder, it goes on with the recording there.",
        epilog="From another terminal:  busdoc record mark DIR [TEXT]. Exit status: 0 ended as asked, 1 an adapter was "
        "away at the end, 2 could not be done.",
    )
    add_bus_option(record)
    record.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="FILE.log|DIR",
        help="folder to record to, or one file that is never rotated (default: a new folder named by the time)",
    )
    add_also_option(record)
    add_shared_option(record)
    record.add_argument("--rotate", metavar="SIZE", help="begin a new file after so much text (default 100MB)")
    record.add_argument(
        "--keep-free", default="500MB", metavar="SIZE", help="pause while the disk has less room (default 500MB)"
    )
    record.add_argument("--for", dest="hours", type=float, metavar="HOURS", help="end after so long")
    add_page_options(record)
    record.set_defaults(run=_record)
    marking = record.add_subparsers(metavar="", required=False)
    mark = marking.add_parser(
        "mark",
        help="note into a running recording that something happened about now",
        description="Notes 'it happened about now' into the marks.csv beside a recording, a journal that "
        "busdoc postmortem --actions reads.",
    )
    mark.add_argument("recording", type=Path, metavar="DIR|FILE.log", help="the recording's folder or file")
    mark.add_argument("text", nargs="*", metavar="TEXT", help="what happened")
    mark.set_defaults(run=_mark)


def parse_size(text: str, option: str) -> int:
    """Read a size such as ``100MB``, ``2GB`` or ``500000``, in bytes.

    >>> parse_size("1.5MB", "--rotate")
    1500000

    Raises
    ------
    InputError : it is not one
    """
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise InputError(option, "a size", f'"{text}"', f"Write for example {option} 100MB.")
    return round(float(match["number"]) * _UNITS[match["unit"].lower().removesuffix("b")])


def _mark(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.actions.mark import append_mark
    from busdoc.capture.place import place_at
    from busdoc.capture.recorder.gaps import is_gap_file

    place = place_at(arguments.recording)
    if not is_gap_file(place.gap_file):
        raise InputError(
            str(arguments.recording),
            "a recording of busdoc record",
            "none there",
            "Give the folder or the file that it records to.",
        )
    append_mark(place.marks_file, time.time_ns(), " ".join(arguments.text))
    print(f"Marked in {place.marks_file}.", file=surroundings.stdout)
    return ExitStatus.HEALTHY


def _record(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.capture.bus.address import parse_bus

    rotate_bytes = parse_size(arguments.rotate or _ROTATE, "--rotate")
    keep_free_bytes = parse_size(arguments.keep_free, "--keep-free")
    hours: float | None = arguments.hours
    if hours is not None and not 0 < hours < _MOST_HOURS:
        raise InputError("--for", "a number of hours above 0", f"{hours:g}", "Write for example --for 48.")
    if rotate_bytes < _LEAST_PIECE_BYTES:
        raise InputError("--rotate", "a size of 1 kB or more", f'"{arguments.rotate}"', "Write for example 100MB.")
    output: Path = arguments.output or Path(datetime.now(UTC).strftime("recording-%Y%m%d-%H%M%S"))
    if arguments.rotate and output.suffix.lower() == ".log" and not output.is_dir():
        raise InputError(str(output), "a folder to rotate files in", "one file", "Name a folder with -o.")
    addresses = [parse_bus(text) for text in arguments.bus or [""]]

    from busdoc.capture.bus.buses import LiveBuses
    from busdoc.capture.recorder.recorder import LogRecorder
    from busdoc.capture.recorder.twofold import TwofoldRecorder
    from busdoc.cli.keys import terminal_keys

    page = open_page(arguments, output if os.path.isdir(output) else None)  # a place without rights is told below
    source = LiveBuses(addresses, waits=arguments.wait)
    recorder: LogRecorder | TwofoldRecorder
    try:
        source.start()
        if arguments.also is None:
            recorder = LogRecorder(output, source.channels, rotate_bytes=rotate_bytes, keep_free_bytes=keep_free_bytes)
        else:
            is_file = output.suffix.lower() == ".log" and not output.is_dir()
            also = arguments.also / output.name if is_file else arguments.also
            recorder = TwofoldRecorder(
                output, also, source.channels, rotate_bytes=rotate_bytes, keep_free_bytes=keep_free_bytes
            )
    except BaseException:
        source.stop()
        if page is not None:
            page.close()
        raise
    for note in recorder.notes:
        print(f"busdoc: {note}", file=surroundings.stderr)
    with ended_by_signals() as stopping, terminal_keys() as keys:
        recording = _Run(source, recorder, keys, surroundings)
        with recording.on_page(page, surroundings):
            summary = recording.run(stopping, hours)
    surroundings.stdout.write(summary_text(summary, recording.n_marks, recorder.place))
    return ExitStatus.TROUBLE if summary.away else ExitStatus.HEALTHY


class _Run:
    """Runs a recording: a line of status, what changed, the key that marks."""

    def __init__(
        self, source: "FrameSource", recorder: "LogRecorder | TwofoldRecorder", keys: "Keys", surroundings: Surroundings
    ) -> None:
        from busdoc.capture.recorder.recording import Recording

        self._recording = Recording(source, recorder)
        self._source = source
        self._recorder = recorder
        self._keys = keys
        self._line = StatusLine(surroundings.stderr, max(20, surroundings.width - 1))
        self._draws = surroundings.shows_progress
        self._start_s = self._drawn_s = time.monotonic()
        self.n_marks = 0
        self._shown: RecordHost | None = None
        self._follow: Callable[[], None] = lambda: None

    @contextlib.contextmanager
    def on_page(self, page: "PageOfCommand | None", surroundings: Surroundings) -> Iterator[None]:
        """Show it on the page meanwhile, where one is asked for."""
        if page is None:
            yield
            return
        from busdoc.page.hosts.record import RecordHost

        self._shown = RecordHost(self._source, self._recorder, self._status, self._marked)
        folder = self._recorder.place.folder if self._recorder.place.file is None else None
        with page.served(self._shown, folder, surroundings.warn) as follow:
            page.show(surroundings.say, surroundings.terminal)
            self._follow = follow
            yield

    def _marked(self) -> None:
        self.n_marks += 1
        self._say(f"marked in {self._recorder.place.marks_file.name}")

    def _status(self) -> Sequence[str]:
        return status_parts(self._recorder.state, self._source.buses(), time.monotonic() - self._start_s)

    def run(self, stopping: threading.Event, hours: float | None) -> "RecordingSummary":
        """Record until it is to end; whatever happens, what was heard is on the disk."""
        from busdoc.capture.recorder.notes import bus_in_words

        try:
            for bus in self._source.buses():
                if self._draws:
                    self._say(f"listening to {bus_in_words(bus)}")
            if self._draws:
                self._say(f"recording to {self._recorder.state.path}; m marks this moment, Ctrl-C ends")
            while not stopping.wait(_TICK_S):
                self._tick()
                if hours is not None and time.monotonic() - self._start_s >= hours * 3600:
                    break
        finally:
            self._line.wipe()
            summary = self._recording.finish()
        return summary

    def _tick(self) -> None:
        for change in self._recording.tick():
            if self._draws or change.is_ours:
                self._say(change.text)
            if self._shown is not None:
                self._shown.tell(change.text)
        self._follow()
        for _ in range(self._keys.pressed().lower().count(_MARK_KEY)):
            self._mark()
        now_s = time.monotonic()
        if self._draws and now_s - self._drawn_s >= _DRAW_EVERY_S:
            self._drawn_s = now_s
            self._line.draw(status_text(self._recorder.state, self._source.buses(), now_s - self._start_s))

    def _mark(self) -> None:
        from busdoc.actions.mark import append_mark

        now_ns = self._source.now_ns()
        try:
            for place in self._recorder.places:
                append_mark(place.marks_file, now_ns)
        except InputError as error:
            self._say(str(error))
            return
        self._marked()

    def _say(self, text: str) -> None:
        """Write a line that stays, with its time."""
        stamp = datetime.fromtimestamp(self._source.now_ns() / SECOND_NS, UTC).strftime("%Y-%m-%d %H:%M:%SZ")
        self._line.say(f"{stamp}  {text}")
