"""A capture that must be read here and there, as a plain file: a packed one goes into a temporary one first."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from busdoc.capture.formats.files import is_packed, open_bytes, suffix_of
from busdoc.capture.formats.lines import read_into
from busdoc.capture.reading import Reading
from busdoc.files.spool import spool

__all__ = ["unpacked_file"]

_PIECE_BYTES = 1 << 20
_LEAST_BOUND_BYTES, _MOST_GROWTH = 256 << 20, 100
"""Deflate can pack a thousandfold; no capture shrinks to less than a fiftieth (common practice)."""


@contextmanager
def unpacked_file(reading: Reading) -> Iterator[Path]:
    """Give the path of the capture's plain content.

    Raises
    ------
    InputError : the disk has no room for it
    """
    if not is_packed(reading.file):
        yield reading.file
        return
    with tempfile.TemporaryDirectory(prefix="busdoc-") as folder:
        plain = Path(folder) / f"capture{suffix_of(reading.file)}"
        most_bytes = max(_LEAST_BOUND_BYTES, _MOST_GROWTH * reading.file.stat().st_size)
        spool(_pieces(reading), plain, str(reading.file), most_bytes=most_bytes)
        yield plain


def _pieces(reading: Reading) -> Iterator[memoryview]:
    """Yield the inflated content, in a buffer that is used again."""
    room = memoryview(bytearray(_PIECE_BYTES))
    with open_bytes(reading.file) as packed:
        while n_read := read_into(packed, reading, room):
            yield room[:n_read]
