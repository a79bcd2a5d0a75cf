"""One line on stderr that says how far the reading has come; silent unless a person watches.

Ctrl-C ends the reading, not the command: what was found so far is concluded from, and said to be that. A second one
ends the command.
"""

import argparse
import signal
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

from busdoc.cli.environment import Surroundings
from busdoc.cli.options import databases
from busdoc.cli.status_line import StatusLine
from busdoc.files.parts import missing_part
from busdoc.kernels.telling import when_compiling
from busdoc.words.duration import span

if TYPE_CHECKING:
    from busdoc.analysis.reading import ReadSoFar

__all__ = ["Progress", "read_with"]

_EVERY_S = 0.2
_TELLS_FROM_S, _TELLS_FROM_SHARE = 2.0, 0.01
"""Before that, nothing is said of the time left: it would jump."""
_IS_SLOW_FROM_S = 5.0
"""Who waits as long as this for a large recording is told what would read it faster, where that is missing."""
_Read = TypeVar("_Read")


def read_with(
    read: Callable[..., _Read],
    arguments: argparse.Namespace,
    surroundings: Surroundings,
    *,
    stops: bool = False,
    **more: "str | float | None",
) -> _Read:
    """Have a recording read with all that goes with it, and show how far that is.

    Parameters
    ----------
    read : a call of the API that reads a recording
    stops : whether a part of the recording is worth a conclusion, so that Ctrl-C only ends the reading
    more : what this call alone takes
    """
    with Progress(surroundings, stops=stops) as progress:
        return read(
            arguments.capture,
            databases=databases(arguments),
            machine_file=arguments.machine,
            journal_file=arguments.actions,
            progress=progress.add,
            **more,
        )


class Progress:
    """Redraws one line, a few times a second, for as long as its context lasts.

    Parameters
    ----------
    stops : whether Ctrl-C is taken for the wish to end the reading, the first time
    """

    def __init__(
        self, surroundings: Surroundings, *, stops: bool = False, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._line = StatusLine(surroundings.stderr) if surroundings.shows_progress else None
        self._now_s = now_s
        self._start_s = self._drawn_s = now_s()
        self._stops = stops and threading.current_thread() is threading.main_thread()  # only there signals are taken
        self._stopping = False
        self._n_compiled = 0
        self._says_faster = False
        """Whether it was said how reading becomes faster."""
        self._before: object = None

    def add(self, so_far: "ReadSoFar") -> bool:
        """Show how far the reading is; whether it is to end here."""
        if self._line is not None and self._now_s() - self._drawn_s >= _EVERY_S:
            self._drawn_s = self._now_s()
            self._line.draw(self._words(so_far))
            self._say_what_is_faster()
        if self._stopping and self._line is not None:
            self._line.say("Reading ends here; once more Ctrl-C ends the program.")
        return self._stopping

    def _say_what_is_faster(self) -> None:
        if self._says_faster or self._line is None or self._drawn_s - self._start_s < _IS_SLOW_FROM_S:
            return
        self._says_faster = True
        lacking = missing_part("fast")
        if lacking is not None:
            self._line.say(f"{lacking.what[0].upper()}{lacking.what[1:]} {lacking.installed_by}.")

    def _words(self, so_far: "ReadSoFar") -> str:
        text = f"{so_far.frames:,} frames read"
        passed_s = self._drawn_s - self._start_s
        if so_far.share is None or passed_s < _TELLS_FROM_S or so_far.share < _TELLS_FROM_SHARE:
            return text
        share = min(so_far.share, 1.0)
        text += f", {100 * share:.0f} %, about {span(passed_s * (1 - share) / share)} left"
        return f"{text}; Ctrl-C for what was found so far" if self._stops else text

    def _compiling(self, _: str) -> None:
        """Say why the first run takes longer; called in whatever thread compiles."""
        self._n_compiled += 1
        if self._line is not None:
            so_far = f"{self._n_compiled} so far, {self._now_s() - self._start_s:.0f} s"
            self._line.draw(f"compiling kernels for this machine, which is done once and takes some 10 s: {so_far}")

    def _stop(self, *_: object) -> None:
        self._stopping = True
        self._give_back()

    def _give_back(self) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)  # type: ignore[arg-type]  # what was there before
            self._before = None

    def __enter__(self) -> "Progress":
        if self._stops and signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else it is ignored
            self._before = signal.signal(signal.SIGINT, self._stop)
        if self._line is not None:
            when_compiling(self._compiling)
        return self

    def __exit__(self, *_: object) -> None:
        when_compiling(None)
        self._give_back()
        if self._line is not None:
            self._line.wipe()
