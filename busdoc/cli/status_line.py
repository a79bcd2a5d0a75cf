"""Lines that stay, above one that is drawn anew in the same place."""

import contextlib
from typing import TextIO

from busdoc.words.printable import own_stream, printable

__all__ = ["StatusLine"]


class StatusLine:
    """Writes to a terminal; one that was closed meanwhile ends nothing.

    Parameters
    ----------
    stream : of the terminal
    width : columns that the line may take; None: all of its text is written
    """

    def __init__(self, stream: TextIO, width: int | None = None) -> None:
        self._stream = own_stream(stream)
        self._width = width
        self._drawn = 0

    def say(self, text: str) -> None:
        """Write a line that stays."""
        self.wipe()
        self._write(f"{printable(text)}\n")

    def draw(self, text: str) -> None:
        """Draw the line that changes."""
        text = printable(text)
        if self._width is not None and len(text) > self._width:
            text = f"{text[: self._width - 3]}..."
        self._write(f"\r{text.ljust(self._drawn)}")
        self._drawn = len(text)

    def wipe(self) -> None:
        """Take the line that changes away."""
        if self._drawn:
            self._write(f"\r{' ' * self._drawn}\r")
            self._drawn = 0

    def _write(self, text: str) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._stream.write(text)
            self._stream.flush()
