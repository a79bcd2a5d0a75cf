"""What a command runs in: its streams and what they can show, handed in, so that tests patch nothing; what ends it."""

import contextlib
import os
import shutil
import signal
import sys
import threading
from collections.abc import Iterator, Mapping
from enum import IntEnum
from typing import TextIO, cast

from busdoc.words.printable import PrintableStream, own_stream

__all__ = ["ExitStatus", "Surroundings", "ended_by_signals"]


class ExitStatus(IntEnum):
    """What a command says to a script."""

    HEALTHY = 0
    """Analysed, nothing wrong; or done."""
    TROUBLE = 1
    """Analysed, trouble found."""
    COULD_NOT = 2
    """It could not be done; the reason is on stderr."""


def _nowhere() -> TextIO:
    """Give a stream for a program that was started with this one closed: Python then has None in its place."""
    return open(os.devnull, "w", encoding="utf-8")


class Surroundings:
    """Streams and environment of one run of the program; what is written on its streams is made printable.

    A plain class: the module of records takes a third of the time in which help answers.
    """

    __slots__ = ("_is_silent", "environ", "stderr", "stdout")

    def __init__(
        self, stdout: TextIO | None = None, stderr: TextIO | None = None, environ: Mapping[str, str] | None = None
    ) -> None:
        self._is_silent = False
        self.stdout = cast(TextIO, PrintableStream(stdout or sys.stdout or _nowhere()))
        self.stderr = cast(TextIO, PrintableStream(stderr or sys.stderr or _nowhere()))
        self.environ: Mapping[str, str] = os.environ if environ is None else environ

    def silenced(self, *, but_stdout: bool = False) -> "Surroundings":
        """Give the same without progress and, but for a document that was asked for, with nothing on stdout."""
        quiet = Surroundings(self.stdout if but_stdout else _nowhere(), self.stderr, self.environ)
        quiet._is_silent = True
        return quiet

    @property
    def text_width(self) -> int:
        """Columns that a text may take: lines of more than 160 are hard to read, and words need 40."""
        from busdoc.report.terminal.wrapping import LEAST_WIDTH, MOST_WIDTH

        return max(LEAST_WIDTH, min(self.width, MOST_WIDTH))

    @property
    def width(self) -> int:
        """Columns that a line may take: the terminal's, or 100 where there is none."""
        if self.environ.get("COLUMNS", "").isdigit():
            return int(self.environ["COLUMNS"])
        return shutil.get_terminal_size((100, 24)).columns if self.stdout.isatty() else 100

    @property
    def unicode(self) -> bool:
        """Whether stdout can write the characters of the presence strip."""
        encoding = getattr(self.stdout, "encoding", None) or "ascii"
        try:
            "━·╌–…→±".encode(encoding)
        except (UnicodeEncodeError, LookupError):
            return False
        return True

    @property
    def terminal(self) -> TextIO | None:
        """Give the terminal itself, for what is drawn on purpose; None: there is none, or it shows plain letters."""
        return own_stream(self.stdout) if self.stdout.isatty() and self.unicode else None

    def warn(self, text: str) -> None:
        """Write a line that is no result."""
        print(f"busdoc: {text}", file=self.stderr)

    def say(self, text: str) -> None:
        """Write a line."""
        with contextlib.suppress(BrokenPipeError):
            print(text, file=self.stdout, flush=True)

    @property
    def shows_progress(self) -> bool:
        """Progress goes to stderr, and only when a person watches."""
        return not self._is_silent and self.stderr.isatty()


@contextlib.contextmanager
def ended_by_signals() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and the operating system's wish to end set, for as long as the context lasts."""
    stopping = threading.Event()
    if threading.current_thread() is not threading.main_thread():  # only there can signals be taken
        yield stopping
        return
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {name: signal.getsignal(getattr(signal, name)) for name in names}
    for name in names:
        if before[name] is not signal.SIG_IGN:  # started by nohup, say
            signal.signal(getattr(signal, name), lambda *_: stopping.set())
    try:
        yield stopping
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
