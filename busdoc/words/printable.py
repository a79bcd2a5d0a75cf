"""Text as a terminal may show it: names, notes and comments come from files and from the bus, and may hold anything."""

import io
import unicodedata
from typing import TextIO

__all__ = ["PrintableStream", "own_stream", "printable"]

_NOT_SHOWN = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
"""Unicode's general categories (chapter 4.5): control, format, surrogate, line and paragraph separator."""


def printable(text: str, *, kept: str = "") -> str:
    r"""Take out what would move the cursor, ring, or hide text, but for the letters in `kept`.

    >>> printable("fan\x1b[2J\n1"), printable("two\nlines\x9b", kept="\n")
    ('fan?[2J?1', 'two\nlines?')
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        "?" if unicodedata.category(letter) in _NOT_SHOWN and letter not in kept else letter for letter in text
    )


class PrintableStream(io.TextIOBase):
    """A stream on which all that is written is made printable, line ends apart.

    Parameters
    ----------
    beneath : where it goes; closed by whoever opened it
    """

    def __init__(self, beneath: TextIO) -> None:
        super().__init__()
        self.beneath = beneath

    @property
    def encoding(self) -> str | None:  # type: ignore[override]  # a stream in memory has none
        """The encoding beneath."""
        return getattr(self.beneath, "encoding", None)

    def writable(self) -> bool:
        """Always."""
        return True

    def isatty(self) -> bool:
        """Whether a terminal lies beneath."""
        return self.beneath.isatty()

    def fileno(self) -> int:
        """Give the number of the file beneath."""
        return self.beneath.fileno()

    def write(self, text: str) -> int:
        """Write text, made printable."""
        self.beneath.write(printable(text, kept="\n"))
        return len(text)

    def flush(self) -> None:
        """Flush what lies beneath."""
        self.beneath.flush()

    def close(self) -> None:
        """Leave what lies beneath open."""


def own_stream(stream: TextIO) -> TextIO:
    """Give the stream itself, for whoever rings and moves the cursor on purpose, and cleans what it quotes."""
    beneath: TextIO = getattr(stream, "beneath", stream)
    return beneath
