"""Files that are written whole or not at all."""

import contextlib
import os
from pathlib import Path

from busdoc.errors import InputError, found_instead

__all__ = ["write_bytes", "write_text"]


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
