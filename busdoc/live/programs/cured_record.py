"""The record of a session, written by itself once a repair is proved.

It is made of the session's folder by a process of its own, as `busdoc postmortem FOLDER --report FILE` makes it: the
screen goes on, and what it says is what the folder says.
"""

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from busdoc.live.view import Happening, HappeningKind

__all__ = ["CuredRecord"]

_AFTER_S = 2.0
"""Frames are in the file within a tenth of a second, and the proof is weighed once a second: by then the folder has
what the screen has."""
_MOST_SAID = 300


class CuredRecord:
    """Writes the record when it hears that a repair is proved.

    Parameters
    ----------
    folder : of the session
    path : where the record goes
    extra : words of the command line that the record is to be made with, a zone, say
    clock_s : a clock that only goes on, s
    """

    def __init__(
        self, folder: Path, path: Path, *, extra: tuple[str, ...] = (), clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.path = path
        self.heard = False
        """A repair was proved."""
        self._command = [sys.executable, "-m", "busdoc", "postmortem", str(folder), "--report", str(path), *extra]
        self._clock_s = clock_s
        self._due_s: float | None = None
        self._writing: subprocess.Popen[str] | None = None

    def hear(self, happening: Happening) -> None:
        """Take note of what happened."""
        if happening.kind is HappeningKind.CURED:
            self.heard = True
            self._due_s = self._clock_s() + _AFTER_S

    def look(self) -> str:
        """Begin to write when it is time; give a sentence once it is written, or why it could not be."""
        if self._due_s is not None and self._writing is None and self._clock_s() >= self._due_s:
            self._due_s = None
            try:
                self._writing = subprocess.Popen(
                    self._command,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    text=True,
                    encoding="utf-8",
                    errors="replace",
                )
            except OSError as error:
                return f"the record was not written: {error}"
        if self._writing is None or self._writing.poll() is None:
            return ""
        ended, self._writing = self._writing, None
        said = "" if ended.stderr is None else ended.stderr.read().strip()
        if ended.stderr is not None:
            ended.stderr.close()
        if ended.returncode in (0, 1):
            return f"the record is written: {self.path}"
        return f"the record was not written: {said[-_MOST_SAID:] or f'status {ended.returncode}'}"

    def close(self) -> None:
        """Leave a record that is half made; at the end it is made of the whole session."""
        if self._writing is not None:
            self._writing.kill()
            self._writing.communicate()
            self._writing = None
