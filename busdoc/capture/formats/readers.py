"""The table of readers by suffix."""

from collections.abc import Callable, Generator, Iterator

from busdoc.capture.formats.asc import read_asc
from busdoc.capture.formats.blf import read_blf
from busdoc.capture.formats.csv_text import read_csv
from busdoc.capture.formats.files import suffix_of
from busdoc.capture.formats.log.reader import read_log
from busdoc.capture.formats.mf4 import read_mf4
from busdoc.capture.formats.order import TimeOrder
from busdoc.capture.formats.sqlite_db import read_db
from busdoc.capture.formats.trc import read_trc
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["READERS", "read_in_order"]

READERS: dict[str, Callable[[Reading], Iterator[ReadBlock]]] = {
    ".log": read_log,
    ".asc": read_asc,
    ".blf": read_blf,
    ".trc": read_trc,
    ".csv": read_csv,
    ".db": read_db,
    ".mf4": read_mf4,
}
"""Each yields a file's frames in file order."""


def read_in_order(reading: Reading) -> Generator[FrameBlock, None, None]:
    """Yield one file's frames, times never going back, channels as the file's own numbers.

    Raises
    ------
    InputError : when the file cannot be read as what its suffix says
    """
    order = TimeOrder(reading)
    for block in READERS[suffix_of(reading.file)](reading):
        ready = order.feed(block)
        if len(ready):
            yield ready
    rest = order.close()
    if len(rest):
        yield rest
