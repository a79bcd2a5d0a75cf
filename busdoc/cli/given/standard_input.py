"""A capture from standard input: kept in a temporary file while the command runs, since it may be read twice."""

import argparse
import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path

from busdoc.errors import InputError

__all__ = ["TEXT_SUFFIXES", "add_format_option", "standard_input_as_file"]

TEXT_SUFFIXES = ("log", "asc", "trc", "csv")
_DASH = Path("-")
_PIECE_BYTES = 1 << 20


def add_format_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--format`` to a command that reads captures."""
    parser.add_argument(
        "--format",
        choices=TEXT_SUFFIXES,
        default="log",
        help="which kind of text a capture is that is given as - and read from standard input (default log)",
    )


@contextlib.contextmanager
def standard_input_as_file(arguments: argparse.Namespace) -> Iterator[None]:
    """Put a file in the place of each ``-`` among the captures, for as long as the context lasts.

    Raises
    ------
    InputError : it is given twice, is a terminal, or the disk has no room
    """
    captures: list[Path] = getattr(arguments, "capture", None) or []
    if _DASH not in captures:
        yield
        return
    import tempfile

    from busdoc.files.spool import spool

    source = getattr(sys.stdin, "buffer", None)
    if captures.count(_DASH) > 1 or source is None or sys.stdin.isatty():
        found = "- given twice" if captures.count(_DASH) > 1 else "a terminal, or nothing"
        raise InputError("standard input", "one capture", found, "Write for example: xzcat a.log.xz | busdoc … -")
    with tempfile.TemporaryDirectory(prefix="busdoc-") as folder:
        file = Path(folder) / f"standard-input.{arguments.format}"
        spool(iter(lambda: source.read(_PIECE_BYTES), b""), file, "standard input")
        arguments.capture = [file if path == _DASH else path for path in captures]
        yield
