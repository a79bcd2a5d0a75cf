"""Starts the reader of `.mf4` captures as a copy of this process, where the system can: the start is nearly all of it.

The copy does what the program does from its first line on, with the same bounds, and dies as it does.
"""

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import BinaryIO

from busdoc.capture.formats.mf4 import columns, reader

__all__ = ["in_place_of_programs"]


class _Copy:
    """What `subprocess.Popen` is to the reader of `.mf4`."""

    def __init__(self, command: Sequence[str], *, env: Mapping[str, str], **_: object) -> None:
        reads, writes = os.pipe()
        self._number = os.fork()
        if not self._number:
            self._become(command, env, writes)
        os.close(writes)
        self.stdout: BinaryIO = os.fdopen(reads, "rb")
        self._ended = False

    def _become(self, command: Sequence[str], env: Mapping[str, str], writes: int) -> None:
        try:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            nowhere = os.open(os.devnull, os.O_RDWR)
            for number, target in ((nowhere, 0), (writes, 1), (nowhere, 2)):
                os.dup2(number, target)
            os.environ.update(env)
            tempfile.tempdir = None  # looked up again
            kept = sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
            sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
            columns.main(*command[-2:])
            kept.flush()
        finally:
            os._exit(0)

    def kill(self) -> None:
        """End it."""
        if not self._ended:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._number, signal.SIGKILL)

    def wait(self) -> None:
        """Wait until it has ended."""
        if not self._ended:
            os.waitpid(self._number, 0)
            self._ended = True


def in_place_of_programs() -> None:
    """Have `.mf4` captures be read by copies of this process from now on."""
    if not hasattr(os, "fork"):
        return
    import can  # noqa: F401
    from asammdf import MDF  # noqa: F401

    names = SimpleNamespace(Popen=_Copy, DEVNULL=subprocess.DEVNULL, PIPE=subprocess.PIPE)
    reader.subprocess = names  # type: ignore[assignment, attr-defined]
