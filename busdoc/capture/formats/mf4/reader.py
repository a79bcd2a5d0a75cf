"""Reads `.mf4` captures in a process of its own: what a damaged one does to the library that parses it ends there.

The library reads memory behind the end of a damaged block, fills it where a length is wrong, and leaves copies in the
temporary folder. The process has a bound on its memory where the system knows one, a temporary folder of its own that
is removed whatever happens, and an end when nothing comes of it for long.
"""

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

from busdoc.capture.formats.mf4.passing import Passed, receive
from busdoc.capture.formats.unpacked import unpacked_file
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.errors import InputError
from busdoc.files.parts import needs

__all__ = ["read_mf4"]

_CHILD = "busdoc.capture.formats.mf4.columns"
_LONGEST_SILENCE_S = 300.0
_MOST_COPY_BYTES = 8 << 30
"""What the library may write to the temporary folder."""
_KEPT_FREE_BYTES = 1 << 30
_LOOK_EVERY_S = 0.25
_TEMPORARY = ("TMPDIR", "TEMP", "TMP")


def read_mf4(reading: Reading) -> Iterator[ReadBlock]:
    """Yield an `.mf4` capture's frames, merged by time over its groups.

    Raises
    ------
    InputError : when the file cannot be opened as one, or holds no CAN traffic; when what reads it is not installed
    """
    needs("mf4", str(reading.file))
    with unpacked_file(reading) as path, tempfile.TemporaryDirectory(prefix="busdoc-") as folder:
        environment = os.environ | dict.fromkeys(_TEMPORARY, folder)
        command = [sys.executable, "-m", _CHILD, str(path), "" if reading.chunk_bytes is None else "few"]
        # its errors come as messages; what the library prints is nobody's business
        child = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
        )
        watch = _Watch(child, Path(folder))
        try:
            yield from _blocks(child, reading, watch)
        finally:
            watch.end()


def _blocks(child: "subprocess.Popen[bytes]", reading: Reading, watch: "_Watch") -> Iterator[ReadBlock]:
    assert child.stdout is not None
    done = False
    messages = receive(child.stdout)
    while (passed := watch.wait_for(messages)) is not None:
        _take_over(reading, passed)
        if passed.refused is not None:
            expected, found, advice = passed.refused
            raise InputError(str(reading.file), expected, found, advice)
        done = passed.done
        if passed.block is not None:
            reading.n_frames += len(passed.block.frames)
            yield passed.block
    if done:
        return
    why = watch.why or "the library that reads it did not survive it"
    if not reading.n_frames:
        raise InputError(str(reading.file), "an .mf4 capture", f"damage ({why})", "Copy it again.")
    reading.warn(f"it is damaged ({why}); what was before the damage is used.")


def _take_over(reading: Reading, passed: Passed) -> None:
    """Do to the reading here what the child did to its own."""
    for name in passed.channels[len(reading.channel_names) :]:
        reading.channel(name)
    for line, reason in passed.skipped:
        reading.skip(line, reason)
    reading.skipped.total += passed.n_skipped - len(passed.skipped)
    for text in passed.warnings:
        reading.warn(text)


class _Watch:
    """Ends the child when it hangs or fills the disk; says why."""

    def __init__(self, child: "subprocess.Popen[bytes]", folder: Path) -> None:
        self.why = ""
        self._child = child
        self._folder = folder
        self._waiting = threading.Event()
        self._n_heard = 0
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="mf4 watch", daemon=True)
        self._thread.start()

    def wait_for(self, messages: Iterator[Passed]) -> Passed | None:
        """Give the next message; only this waiting counts, not what is done with a message."""
        self._waiting.set()
        passed = next(messages, None)
        self._n_heard += 1
        self._waiting.clear()
        return passed

    def end(self) -> None:
        """End the child and the watch."""
        self._ended.set()
        self._child.kill()
        self._child.wait()
        if self._child.stdout is not None:
            self._child.stdout.close()
        self._thread.join()

    def _run(self) -> None:
        silent_s, n_heard = 0.0, 0
        while not self._ended.wait(_LOOK_EVERY_S):
            is_silent = self._waiting.is_set() and n_heard == self._n_heard
            silent_s = silent_s + _LOOK_EVERY_S if is_silent else 0.0
            n_heard = self._n_heard
            if silent_s > _LONGEST_SILENCE_S:
                self.why = f"nothing came of it for {_LONGEST_SILENCE_S:.0f} s"
            elif _bytes_in(self._folder) > _MOST_COPY_BYTES or _free_bytes(self._folder) < _KEPT_FREE_BYTES:
                self.why = "it fills the disk"
            if self.why:
                self._child.kill()
                return


def _bytes_in(folder: Path) -> int:
    n_bytes = 0
    with contextlib.suppress(OSError):  # files come and go
        n_bytes = sum(path.stat().st_size for path in folder.iterdir())
    return n_bytes


def _free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free
