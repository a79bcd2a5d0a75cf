"""The notes of a recording: how each bus was listened to, when its adapter was lost, what is to be known of it.

UTF-8 text, a line each: the time, a mark on what a reader of the recording must know, and the words.

    2026-03-04 09:30:00Z    listening to socketcan:can0 at 250 kbit/s
    2026-03-04 09:30:00Z !  socketcan:can0: it takes part in the bus: it acknowledges frames as any node does
    2026-03-04 11:02:17Z    socketcan:can0 does not answer: can0 is down; it is tried again every 0.5 s
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from busdoc.capture.bus.address import bitrate_text
from busdoc.capture.listening import BusState, Hearing
from busdoc.files.given import no_plain_file
from busdoc.times import SECOND_NS

__all__ = ["BusNote", "BusNotes", "NoteFile", "bus_in_words", "read_remarks"]

_REMARK = re.compile(r"(?P<time>\S+ \S+Z) !  (?P<text>.+)")
_MOST_BYTES = 1 << 20
_MOST_REMARKS = 20
_MOST_NOTES = 5_000
"""A plug that is loose for days must not fill the disk with notes; the gap file has each absence."""

_LOST, _FOUND = "does not answer", "heard again"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusNote:
    """One thing to be noted."""

    text: str
    is_remark: bool = False
    """Whether whoever reads the recording must know it."""


class BusNotes:
    """Finds what is new about the buses; each thing is given once."""

    def __init__(self) -> None:
        self._hearing: dict[str, Hearing] = {}
        self._told: set[str] = set()

    def news(self, buses: Sequence[BusState]) -> list[BusNote]:
        """Give what became known since the last time."""
        found: list[BusNote] = []
        for bus in buses:
            before = self._hearing.get(bus.name)
            self._hearing[bus.name] = bus.hearing
            if before is None:
                found.append(BusNote(text=f"listening to {bus_in_words(bus)}"))
            elif before is not bus.hearing and bus.hearing is Hearing.ADAPTER_LOST:
                found.append(BusNote(text=f"{bus.name} {_LOST}: {bus.note}"))
            elif before is Hearing.ADAPTER_LOST and bus.hearing is not before:
                found.append(BusNote(text=f"{_FOUND}: {bus_in_words(bus)}"))
            for remark in bus.remarks:
                text = f"{bus.name}: {remark}"
                if text not in self._told:
                    self._told.add(text)
                    found.append(BusNote(text=text, is_remark=True))
        return found


class NoteFile:
    """A file of notes that is added to; a disk that refuses costs nothing but the notes, which are tried again."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._waiting: list[str] = []
        self._n = 0

    def add(self, t_ns: int, notes: Sequence[BusNote]) -> None:
        """Write notes down, with the time."""
        stamp = datetime.fromtimestamp(t_ns / SECOND_NS, UTC).strftime("%Y-%m-%d %H:%M:%SZ")
        for note in notes:
            self._n += 1
            if self._n <= _MOST_NOTES or note.is_remark:
                self._waiting.append(f"{stamp} {'!' if note.is_remark else ' '}  {' '.join(note.text.split())}\n")
        if not self._waiting:
            return
        try:
            with self._path.open("a", encoding="utf-8", newline="\n") as file:
                file.write("".join(self._waiting))
        except OSError:
            return
        self._waiting = []


def read_remarks(path: Path) -> tuple[str, ...]:
    """Read what a reader of the recording must know, with its time; nothing where there are no notes."""
    if no_plain_file(path) is not None:
        return ()
    try:
        with path.open("rb") as file:
            text = file.read(_MOST_BYTES).decode("utf-8", "replace")
    except OSError:
        return ()
    found = (_REMARK.fullmatch(line) for line in text.splitlines())
    remarks = dict.fromkeys((match["text"], match["time"]) for match in found if match is not None)
    return tuple(f"{words} (noted at {at})" for words, at in remarks)[:_MOST_REMARKS]


def bus_in_words(bus: BusState) -> str:
    """Say how a bus was opened."""
    parts = [bus.name]
    if bus.bitrate is not None:
        parts[0] += f" at {bitrate_text(bus.bitrate)}"
    if bus.listen_only:
        parts.append("listen only")
    if bus.note:
        parts.append(bus.note)
    return ", ".join(parts)
