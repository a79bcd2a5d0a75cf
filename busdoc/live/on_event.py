"""Runs a command of the technician's own with each thing that happens: a lamp, a message, a log elsewhere.

What happened is in the command's environment, never in a shell's line. It never holds up the session: commands run one
after the other in a thread of their own, none for long, and when too many wait no more are taken.
"""

import contextlib
import os
import queue
import shlex
import shutil
import subprocess
import threading

from busdoc.errors import InputError
from busdoc.live.view import Happening
from busdoc.times import SECOND_NS

__all__ = ["EventCommand"]

_MOST_WAITING = 32
_LONGEST_S = 10.0
_LET_GO_S = 2.0


class EventCommand:
    """A command to run with each event, until it is closed.

    The command finds in its environment ``BUSDOC_EVENT`` (lost, back in step, restarted, code, action, bus, cleared,
    named, note), ``BUSDOC_TEXT``, ``BUSDOC_CONTROLLER`` (may be empty) and ``BUSDOC_TIME_S``.

    Raises
    ------
    InputError : the command cannot be found
    """

    def __init__(self, command: str) -> None:
        self._words = shlex.split(command, posix=os.name != "nt")
        if not self._words or shutil.which(self._words[0]) is None:
            found = f'"{command}", which is no program here'
            raise InputError("--on-event", "a program and its arguments", found, "Give its whole path.")
        self._waiting: queue.Queue[Happening | None] = queue.Queue()
        self._thread = threading.Thread(target=self._run, name="on event", daemon=True)
        self._thread.start()

    def hear(self, happening: Happening) -> None:
        """Run the command for one event, soon; for none while too many wait."""
        if self._waiting.qsize() < _MOST_WAITING:
            self._waiting.put(happening)

    def close(self) -> None:
        """Run what waits, for a moment, and end."""
        self._waiting.put(None)
        self._thread.join(_LET_GO_S)

    def _run(self) -> None:
        while (happening := self._waiting.get()) is not None:
            environment = {
                **os.environ,
                "BUSDOC_EVENT": happening.kind.value,
                "BUSDOC_TEXT": happening.text,
                "BUSDOC_CONTROLLER": happening.controller or "",
                "BUSDOC_TIME_S": f"{happening.time_ns / SECOND_NS:.6f}",
            }
            with contextlib.suppress(OSError, subprocess.TimeoutExpired):
                subprocess.run(
                    self._words,
                    env=environment,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    timeout=_LONGEST_S,
                    check=False,
                )
