"""The table of what is read, by suffix."""

from collections.abc import Callable, Generator, Iterator
from typing import NamedTuple

from busdoc.capture.formats.files import suffix_of
from busdoc.capture.frames import FrameBlock
from busdoc.capture.order import TimeOrder
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.errors import InputError, guarded, in_one_line

__all__ = ["READERS", "Reader", "read_in_order"]

_PCAP_MAGIC = (b"\xa1\xb2\xc3\xd4", b"\xd4\xc3\xb2\xa1", b"\xa1\xb2\x3c\x4d", b"\x4d\x3c\xb2\xa1")
"""Of times in microseconds and nanoseconds, in both byte orders."""


class Reader(NamedTuple):
    """How the captures of a suffix, each also with .gz or .zst behind it, are known and read."""

    read: Callable[[Reading], Iterator[ReadBlock]]
    """Yields a file's frames in file order."""
    magic: bytes | tuple[bytes, ...] = b""
    """What every such file begins with, where the kind is binary; empty: it is a text."""
    opens: tuple[bytes, ...] = ()
    """How such a text may open, in small letters; a file that opens so under another suffix is refused."""
    shared: bool = False
    """Whether other tables have the suffix too: in a folder, only a file that opens as above is a capture."""
    article: str = "a"
    """Before the suffix, as it is said aloud."""
    by_itself: bool = False
    """Whether a library reads the file, and only it knows how far it is."""
    compiled_from_mb: int | None = None
    """From how much of it on the compiled parser repays compiling it; None: there is none."""
    kernel: str = ""
    """The module of the compiled parser."""


def _read_log(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.log.reader import read_log

    return read_log(reading)


def _read_asc(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.asc.reader import read_asc

    return read_asc(reading)


def _read_blf(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.blf.reader import read_blf

    return read_blf(reading)


def _read_trc(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.trc.reader import read_trc

    return read_trc(reading)


def _read_csv(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.csv_text.reader import read_csv

    return read_csv(reading)


def _read_db(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.sqlite_db import read_db

    return read_db(reading)


def _read_pcap(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.pcap import read_pcap

    return read_pcap(reading)


def _read_mf4(reading: Reading) -> Iterator[ReadBlock]:
    from busdoc.capture.formats.mf4.reader import read_mf4

    return read_mf4(reading)


READERS: dict[str, Reader] = {
    ".log": Reader(_read_log, compiled_from_mb=10, kernel="busdoc.capture.formats.log.kernel"),
    ".asc": Reader(
        _read_asc,
        opens=(b"date ", b"base hex", b"base dec"),
        article="an",
        compiled_from_mb=4,
        kernel="busdoc.capture.formats.asc.kernel",
    ),
    ".blf": Reader(_read_blf, magic=b"LOGG", compiled_from_mb=3, kernel="busdoc.capture.formats.blf.kernel"),
    ".trc": Reader(
        _read_trc,
        opens=(b";$fileversion", b";##########"),
        compiled_from_mb=4,
        kernel="busdoc.capture.formats.trc.kernel",
    ),
    ".csv": Reader(
        _read_csv,
        opens=(b"timestamp,arbitration_id",),
        shared=True,
        compiled_from_mb=4,
        kernel="busdoc.capture.formats.csv_text.kernel",
    ),
    ".db": Reader(_read_db, magic=b"SQLite format 3\0", by_itself=True),
    ".pcap": Reader(_read_pcap, magic=_PCAP_MAGIC),
    ".pcapng": Reader(_read_pcap, magic=b"\n\r\r\n"),
    ".mf4": Reader(_read_mf4, magic=b"MDF  ", article="an", by_itself=True),
}
"""By suffix. A kind of capture is added by a row here and the module that it names, which only such a capture loads."""


def read_in_order(reading: Reading) -> Generator[FrameBlock, None, None]:
    """Yield one file's frames, times never going back, channels as the file's own numbers.

    Raises
    ------
    InputError : when the file cannot be read as what its suffix says
    """
    order = TimeOrder(reading)
    for block in _as_far_as_it_goes(reading):
        ready = order.feed(block)
        if len(ready):
            yield ready
    rest = order.close()
    if len(rest):
        yield rest


def _as_far_as_it_goes(reading: Reading) -> Iterator[ReadBlock]:
    """Yield what a reader gives; damage that it does not know itself ends the file there, with a warning.

    Raises
    ------
    InputError : there was nothing before the damage, or the reader says so itself
    """
    suffix = suffix_of(reading.file)
    blocks: Iterator[ReadBlock] | None = None
    while True:
        try:
            with guarded(str(reading.file), f"{READERS[suffix].article} {suffix} capture", "Copy it again."):
                blocks = blocks or READERS[suffix].read(reading)
                block = next(blocks, None)
        except InputError as error:
            if error.__cause__ is None or not reading.n_frames:
                raise
            reading.warn(f"it is damaged ({in_one_line(error.__cause__)}); what was before the damage is used.")
            return
        if block is None:
            return
        yield block
