"""Single keys from the terminal, without waiting and without Enter; silent where there is no terminal to read."""

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Protocol

__all__ = ["Keys", "terminal_keys"]


class Keys(Protocol):
    """Where keys come from."""

    def pressed(self) -> str:
        """Give the keys pressed since the last call."""
        ...


class NoKeys:
    """Nobody is at a keyboard."""

    def pressed(self) -> str:
        """Give nothing."""
        return ""


@contextlib.contextmanager
def terminal_keys() -> Iterator[Keys]:
    """Read single keys while in the context, if this program has a terminal and is in its foreground."""
    if sys.stdin is None or not sys.stdin.isatty():
        yield NoKeys()
    elif sys.platform == "win32":
        yield _WindowsKeys()
    else:
        with _posix_keys(sys.stdin.fileno()) as keys:
            yield keys


if sys.platform == "win32":
    import msvcrt

    class _WindowsKeys:
        def pressed(self) -> str:
            keys = ""
            while msvcrt.kbhit():
                keys += msvcrt.getwch()
            return keys

else:
    import select
    import termios
    import tty

    class _PosixKeys:
        def __init__(self, fileno: int) -> None:
            self._fileno = fileno

        def pressed(self) -> str:
            keys = b""
            with contextlib.suppress(OSError):  # a terminal that was closed
                while select.select([self._fileno], [], [], 0)[0]:
                    piece = os.read(self._fileno, 64)
                    if not piece:
                        break
                    keys += piece
            return keys.decode("utf-8", "replace")

    @contextlib.contextmanager
    def _posix_keys(fileno: int) -> Iterator[Keys]:
        if not _in_foreground(fileno):  # there, touching the terminal would stop the program
            yield NoKeys()
            return
        before = termios.tcgetattr(fileno)
        tty.setcbreak(fileno)
        try:
            yield _PosixKeys(fileno)
        finally:
            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(fileno, termios.TCSADRAIN, before)

    def _in_foreground(fileno: int) -> bool:
        try:
            return os.tcgetpgrp(fileno) == os.getpgrp()
        except OSError:  # a terminal that does not control this program, and cannot stop it either
            return True
