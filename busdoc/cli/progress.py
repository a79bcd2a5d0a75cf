"""One line on stderr that says how far the reading has come; silent unless a person watches."""

import time
from collections.abc import Callable

from busdoc.cli.environment import Surroundings
from busdoc.cli.status_line import StatusLine

__all__ = ["Progress"]

_EVERY_S = 0.2


class Progress:
    """Counts frames and redraws one line, a few times a second."""

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

    def clear(self) -> None:
        """Take the line away again."""
        if self._line is not None:
            self._line.wipe()
