"""The gap file of a recording: what was not heard or not recorded, so that reading it again accuses nobody.

CSV in UTF-8 with the header ``from,to,channel,why``: times in seconds as in the recording, the channel's name (nothing:
all of them), and the reason in words. A row is on disk before the frames that follow the gap.

A row without ``to`` says that a gap began. The row of the whole gap follows when it is over; where none follows, the
recording broke off in it.
"""

import csv
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from busdoc.capture.channels import ChannelTable
from busdoc.capture.reading import LATEST_NS, RecorderGap
from busdoc.errors import InputError
from busdoc.files.cells import as_cell, from_cell
from busdoc.files.given import no_plain_file
from busdoc.times import SECOND_NS, nanoseconds

__all__ = ["GapFile", "RecordedGap", "is_gap_file", "read_gaps"]

_HEADER = "from,to,channel,why"
_MOST_BYTES = 16 << 20
_MOST_GAPS = 20_000
_OPEN_NS = LATEST_NS + 1
"""The end of a gap that was not over when the recording broke off."""
_APART_NS = SECOND_NS
"""A gap begins with the last frame, which may have been on its way when it was first written down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedGap:
    """A row of a gap file; the channel by its name, since numbers are given when the frames are read."""

    from_ns: int
    to_ns: int
    channel: str | None
    why: str

    def numbered(self, channels: ChannelTable) -> RecorderGap | None:
        """Give it with the channel's number; None for a channel of which no frame was met."""
        number = None if self.channel is None else channels.find(self.channel)
        if self.channel is not None and number is None:
            return None
        return RecorderGap(from_ns=self.from_ns, to_ns=self.to_ns, channel=number, why=self.why)


def is_gap_file(path: Path) -> bool:
    """Whether a file is a gap file, by its header."""
    if no_plain_file(path) is not None:
        return False
    try:
        with path.open("rb") as file:
            return file.readline(64).strip() == _HEADER.encode("ascii")
    except OSError:
        return False


def read_gaps(path: Path) -> tuple[RecordedGap, ...]:
    """Read a gap file; rows that are none are left out: the last may be half written."""
    if not is_gap_file(path):
        return ()
    with path.open("rb") as file:
        text = file.read(_MOST_BYTES).decode("utf-8", "replace")
    gaps = [gap for gap in (_gap_of(line) for line in text.split("\n")) if gap is not None][:_MOST_GAPS]
    ended = (_ended(gap, gaps[n + 1 :]) if gap.to_ns == _OPEN_NS else gap for n, gap in enumerate(gaps))
    return tuple(gap for gap in ended if gap is not None)


def _ended(begun: RecordedGap, later: Sequence[RecordedGap]) -> RecordedGap | None:
    """Say how far a gap went of which only the beginning was written; None: it stands there whole as well."""
    for gap in later:
        if gap.channel == begun.channel and gap.from_ns <= begun.from_ns + _APART_NS and gap.to_ns > begun.from_ns:
            return None
        if gap.channel is None and gap.to_ns > begun.from_ns:  # the recorder was not running
            return replace(begun, to_ns=gap.to_ns)
    return replace(begun, to_ns=LATEST_NS)


def _gap_of(line: str) -> RecordedGap | None:
    try:
        row = next(csv.reader([line]), [])
        from_ns, to_ns = (nanoseconds(field) if n == 0 or field else _OPEN_NS for n, field in enumerate(row[:2]))
    except (ValueError, csv.Error):  # the header, half a row, or damage
        return None
    if len(row) != 4 or not -LATEST_NS <= from_ns < to_ns <= _OPEN_NS or from_ns > LATEST_NS:
        return None
    return RecordedGap(from_ns=from_ns, to_ns=to_ns, channel=from_cell(row[2]) or None, why=from_cell(row[3]))


_SNIFFED_BYTES = 4096


class GapFile:
    """A gap file that is written to; it also is what a recorder holds locked."""

    def __init__(self, path: Path, *, among_pieces: bool = False) -> None:
        """Open it, with its header.

        Parameters
        ----------
        among_pieces : pieces of a recording lie beside it, so that what is no gap file was one before it was damaged

        Raises
        ------
        InputError : another file is called so
        OSError : it cannot be written
        """
        self.mended = _set_aside_damage(path, among_pieces=among_pieces)
        """What was damaged here, as a sentence; empty: nothing."""
        if path.exists() and path.stat().st_size and not is_gap_file(path):
            raise InputError(
                str(path), f'a gap file of a recording, which begins "{_HEADER}"', "another file", "Record elsewhere."
            )
        self.file: BinaryIO = path.open("ab", buffering=0)
        self._end_before = end = self.file.seek(0, os.SEEK_END)
        if not end:
            self._append(f"{_HEADER}\n".encode("ascii"))
        elif not _ends_with_newline(path):
            self._append(b"\n")  # behind a row that a crash cut in half

    def add(self, gaps: Sequence[RecorderGap], channels: ChannelTable, *, begun: bool = False) -> None:
        """Write gaps, and see to it that they are on the disk; `begun`: only that they began.

        Raises
        ------
        OSError : they could not be written; then none of them is
        """
        if not gaps:
            return
        out = io.StringIO(newline="")
        writer = csv.writer(out, lineterminator="\n")
        for gap in gaps:
            channel = "" if gap.channel is None else channels.name(gap.channel)
            why = " ".join(gap.why.split())
            to_text = "" if begun else _seconds(gap.to_ns)
            writer.writerow([_seconds(gap.from_ns), to_text, as_cell(channel), as_cell(why)])
        self._append(out.getvalue().encode("utf-8", "replace"))

    def take_back(self) -> None:
        """Take away what was added last: the frames that were to follow could not be written."""
        self.file.truncate(self._end_before)

    def close(self) -> None:
        """Let go of it."""
        self.file.close()

    def _append(self, text: bytes) -> None:
        self._end_before = end = self.file.seek(0, os.SEEK_END)
        try:
            if self.file.write(text) != len(text):
                raise OSError("only half a row could be written")
            os.fsync(self.file.fileno())
        except OSError:
            self.file.truncate(end)
            raise


def _set_aside_damage(path: Path, *, among_pieces: bool) -> str:
    """Rename a gap file that a failing disk has spoilt, so that the recording can be gone on with; say so."""
    try:
        with path.open("rb") as file:
            head = file.read(_SNIFFED_BYTES)
    except FileNotFoundError:
        return ""
    if not head or is_gap_file(path) or (head.strip(b"\0") and not among_pieces):
        return ""
    aside = path.with_name(f"{path.name}.damaged")
    os.replace(path, aside)
    held = "was damaged" if head.strip(b"\0") else "held zeros only"
    return f"{path.name} {held} and was set aside as {aside.name}: which gaps it told of is not known."


def _ends_with_newline(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def _seconds(t_ns: int) -> str:
    seconds, decimals = divmod(abs(t_ns), SECOND_NS)
    return f"{'-' if t_ns < 0 else ''}{seconds}.{decimals:09d}"
