"""Files that are written whole or not at all."""

import contextlib
import os
from pathlib import Path

from busdoc.errors import InputError, found_instead

__all__ = ["printable", "shortened", "write_bytes", "write_text"]

_STANDS_FOR = "\N{REPLACEMENT CHARACTER}"


def printable(text: str) -> str:
    r"""Replace every character that has no shape of its own, except line ends and tabs.

    >>> printable("fan\x00"), printable("hopper \u202egpj")
    ('fan\ufffd', 'hopper \ufffdgpj')
    """
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter in "\n\t" else _STANDS_FOR for letter in text)


def shortened(text: str, most: int) -> str:
    """Put a text on one line of at most `most` characters.

    >>> shortened("left wing mirror", 10)
    'left wing…'
    """
    line = " ".join(printable(text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def write_text(path: Path, text: str) -> None:
    """Write a UTF-8 text with Unix line ends; a half-written file never takes the name of a whole one.

    Raises
    ------
    InputError : the file cannot be written
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file; a half-written one never takes the name of a whole one.

    Raises
    ------
    InputError : the file cannot be written
    """
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content)
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):  # there may be no such folder
            part.unlink(missing_ok=True)
        raise InputError(str(path), "a file that can be written", found_instead(error), "Name another one.") from error
