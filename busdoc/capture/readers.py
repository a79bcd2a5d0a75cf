"""The table of readers by suffix."""

from collections.abc import Callable, Generator, Iterator

from busdoc.capture.files import suffix_of
from busdoc.capture.frames import FrameBlock
from busdoc.capture.log import read_log
from busdoc.capture.order import TimeOrder
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["READERS", "read_in_order"]

READERS: dict[str, Callable[[Reading], Iterator[ReadBlock]]] = {
    ".log": read_log,
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
