"""One line on stderr that says how far the reading has come; silent unless a person watches."""

import time
from collections.abc import Callable

from busdoc.cli.environment import Surroundings

__all__ = ["Progress"]

_EVERY_S = 0.2


class Progress:
    """Counts frames and redraws one line, a few times a second."""

    def __init__(self, surroundings: Surroundings, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._stream = surroundings.stderr if surroundings.shows_progress else None
        self._now_s = now_s
        self._drawn_s = now_s()
        self._n_frames = 0
        self._drawn = False

    def add(self, n_frames: int) -> None:
        """Count frames that were read."""
        self._n_frames += n_frames
        if self._stream is None or self._now_s() - self._drawn_s < _EVERY_S:
            return
        self._drawn_s = self._now_s()
        self._drawn = True
        self._stream.write(f"\r{self._n_frames:,} frames read")
        self._stream.flush()

    def clear(self) -> None:
        """Take the line away again."""
        if self._stream is not None and self._drawn:
            self._stream.write("\r" + " " * 40 + "\r")
            self._stream.flush()
            self._drawn = False
