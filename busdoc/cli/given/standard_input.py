"""A capture from standard input: kept in a temporary file while the command runs, since it may be read twice."""

import argparse
import contextlib
import sys
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from busdoc.errors import InputError

__all__ = ["FORMATS", "add_format_option", "standard_input_as_file"]

FORMATS = ("log", "asc", "blf", "trc", "csv", "db", "pcap", "pcapng", "mf4")
_PACKED = {b"\x1f\x8b": ".gz", b"\x28\xb5\x2f\xfd": ".zst"}
"""How compressed files begin (RFC 1952, 2.3.1; RFC 8878, 3.1.1)."""
_OPENING_BYTES = 100
_DASH = Path("-")
_PIECE_BYTES = 1 << 20


def add_format_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--format`` to a command that reads captures."""
    parser.add_argument(
        "--format",
        choices=FORMATS,
        help="of which kind a capture is that is given as - and read from standard input, compressed or not (default: "
        "by how it begins, else log)",
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
        first = source.read(_PIECE_BYTES)
        file = Path(folder) / f"standard-input{_suffix(first, arguments.format)}"
        spool(chain([first], iter(lambda: source.read(_PIECE_BYTES), b"")), file, "standard input")
        arguments.capture = [file if path == _DASH else path for path in captures]
        yield


def _suffix(first: bytes, given: str | None) -> str:
    """Give the name's end by which what comes is read: its kind, and that it is compressed."""
    packed = next((suffix for magic, suffix in _PACKED.items() if first.startswith(magic)), "")
    if given is not None:
        return f".{given}{packed}"
    from busdoc.capture.formats.suffixes import READERS

    opening = _inflated(first) if packed == ".gz" else first[:_OPENING_BYTES]
    for suffix, kind in READERS.items():
        if (kind.magic and opening.startswith(kind.magic)) or opening.lower().startswith(kind.opens):
            return f"{suffix}{packed}"
    return f".log{packed}"


def _inflated(first: bytes) -> bytes:
    import zlib

    try:
        return zlib.decompressobj(wbits=31).decompress(first, _OPENING_BYTES)
    except zlib.error:
        return b""
