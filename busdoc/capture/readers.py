"""The table of readers by suffix."""

from collections.abc import Callable, Generator, Iterator

from busdoc.capture.asc import read_asc
from busdoc.capture.blf import read_blf
from busdoc.capture.csv_text import read_csv
from busdoc.capture.files import suffix_of
from busdoc.capture.frames import FrameBlock
from busdoc.capture.log import read_log
from busdoc.capture.mf4 import read_mf4
from busdoc.capture.order import TimeOrder
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.capture.sqlite_db import read_db
from busdoc.capture.trc import read_trc

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
