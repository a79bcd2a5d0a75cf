"""A serial adapter with the text protocol, over a pseudo-terminal: it is told to open, speaks frames, is pulled out."""

import contextlib
import os
import pty
import select
import subprocess
import tempfile
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

from tests.emulated.guest.beside import until
from tests.emulated.guest.traffic import ip, let_pass

__all__ = ["SerialLine"]


class SerialLine:
    """The adapter's end of the line; the laptop's is at `path`, whichever terminal stands behind it."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self.path = str(Path(self._folder.name) / "ttyADAPTER")
        self._end = -1
        self._ending = threading.Event()
        self.told = b""
        """What the laptop said to it."""

    def __enter__(self) -> "SerialLine":
        self.plug_in()
        return self

    def __exit__(self, *_: object) -> None:
        self.hang_up()
        self._folder.cleanup()

    def plug_in(self) -> None:
        """Have the device there."""
        self._end, far = pty.openpty()
        tty.setraw(self._end)
        tty.setraw(far)
        self._terminal = os.ttyname(far)
        self._ending = threading.Event()
        self._hearing = threading.Thread(target=self._hear, args=(self._end, self._ending), daemon=True)
        self._hearing.start()
        with contextlib.suppress(FileNotFoundError):
            os.unlink(self.path)
        os.symlink(self._terminal, self.path)
        self._far = far  # held open, so that the line is quiet until a driver takes it

    def hang_up(self) -> None:
        """Pull the adapter out."""
        if self._end < 0:
            return
        self._ending.set()
        self._hearing.join()  # a terminal that is being read does not hang up
        os.close(self._far)
        os.close(self._end)
        self._end = -1
        with contextlib.suppress(FileNotFoundError):
            os.unlink(self.path)

    def say(self, n: int) -> None:
        """Send frames as the protocol writes them."""
        for k in range(n):
            os.write(self._end, b"t1232%04X\r" % k)
            let_pass(0.01)

    @contextlib.contextmanager
    def driver(self, name: str) -> Iterator[None]:
        """Have the kernel's driver on the line, with its interface up."""
        process = subprocess.Popen(
            ["slcand", "-F", "-o", "-s5", self._terminal.removeprefix("/dev/"), name], stderr=subprocess.DEVNULL
        )
        try:
            until(Path(f"/sys/class/net/{name}").exists)
            ip(f"link set {name} up")
            yield
        finally:
            process.terminate()
            process.wait()

    def _hear(self, end: int, ending: threading.Event) -> None:
        while not ending.is_set():
            if select.select([end], [], [], 0.05)[0]:
                self.told += os.read(end, 100)
