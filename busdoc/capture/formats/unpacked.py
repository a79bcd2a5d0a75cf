"""A capture that must be read here and there, as a plain file: one in .gz is inflated into a temporary one first."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from busdoc.capture.formats.files import is_gzip, open_bytes, suffix_of
from busdoc.capture.formats.lines import read_into
from busdoc.capture.reading import Reading
from busdoc.errors import InputError

__all__ = ["unpacked_file"]

_PIECE_BYTES = 1 << 20
_KEPT_FREE_BYTES = 1 << 30


@contextmanager
def unpacked_file(reading: Reading) -> Iterator[Path]:
    """Give the path of the capture's plain content.

    Raises
    ------
    InputError : when the disk would be full before it is inflated
    """
    if not is_gzip(reading.file):
        yield reading.file
        return
    with tempfile.TemporaryDirectory(prefix="busdoc-") as folder:
        plain = Path(folder) / f"capture{suffix_of(reading.file)}"
        piece = bytearray(_PIECE_BYTES)
        with open_bytes(reading.file) as packed, plain.open("wb") as file:
            while n_read := read_into(packed, reading, memoryview(piece)):
                if shutil.disk_usage(folder).free < _KEPT_FREE_BYTES:
                    raise InputError(
                        str(reading.file),
                        "room for the inflated capture",
                        "a disk that is nearly full",
                        "Inflate it on a larger disk first.",
                    )
                file.write(memoryview(piece)[:n_read])
        yield plain
