"""One line on stderr that says how far the reading has come; silent unless a person watches."""

import argparse
import time
from collections.abc import Callable
from typing import TypeVar

from busdoc.cli.environment import Surroundings
from busdoc.cli.options import databases
from busdoc.cli.status_line import StatusLine

__all__ = ["Progress", "read_with"]

_EVERY_S = 0.2
_Read = TypeVar("_Read")


def read_with(
    read: Callable[..., _Read], arguments: argparse.Namespace, surroundings: Surroundings, **more: "str | float | None"
) -> _Read:
    """Have a recording read with all that goes with it, and show how far that is.

    Parameters
    ----------
    read : a call of the API that reads a recording
    more : what this call alone takes
    """
    with Progress(surroundings) as progress:
        return read(
            arguments.capture,
            databases=databases(arguments),
            machine_file=arguments.machine,
            journal_file=arguments.actions,
            progress=progress.add,
            **more,
        )


class Progress:
    """Counts frames and redraws one line, a few times a second, for as long as its context lasts."""

    def __init__(self, surroundings: Surroundings, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._line = StatusLine(surroundings.stderr) if surroundings.shows_progress else None
        self._now_s = now_s
        self._drawn_s = now_s()
        self._n_frames = 0

    def add(self, n_frames: int) -> None:
        """Count frames that were read."""
        self._n_frames += n_frames
        if self._line is None or self._now_s() - self._drawn_s < _EVERY_S:
            return
        self._drawn_s = self._now_s()
        self._line.draw(f"{self._n_frames:,} frames read")

    def __enter__(self) -> "Progress":
        return self

    def __exit__(self, *_: object) -> None:
        if self._line is not None:
            self._line.wipe()
