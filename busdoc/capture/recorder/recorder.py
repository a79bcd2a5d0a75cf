"""Records frames as `.log`, for days: flushed at once, written through each second, rotated, never over a full disk.

What is written stays readable at every instant: a crash costs at most the line that was being written, and the second
that the operating system had not put on the disk yet when the power went. What could not be recorded is a row of the
gap file, so that nobody is accused of it when the recording is read.
"""

import contextlib
import math
import os
import shutil
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.files import RECORDING, suffix_of
from busdoc.capture.formats.suffixes import READERS
from busdoc.capture.formats.write import log_text
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import BusState
from busdoc.capture.place import RecordingPlace, place_at, try_lock
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.gaps import GapFile, is_gap_file
from busdoc.capture.recorder.keeper import PieceKeeper, sync_folder
from busdoc.capture.recorder.notes import BusNotes, NoteFile
from busdoc.capture.recorder.resume import LastPiece, tidy_up
from busdoc.errors import InputError, found_instead
from busdoc.files.given import no_plain_file, require_plain_files

__all__ = ["LogRecorder", "RecorderState"]

_MEGABYTE = 1_000_000
ROTATE_BYTES = 100 * _MEGABYTE
KEEP_FREE_BYTES = 500 * _MEGABYTE

_LOOK_EVERY_S = 1.0
_MORE_ROOM = 1.02
"""Recording goes on when there is this much more room than when it stopped, so that it does not flutter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderState:
    """How the recording goes."""

    path: Path
    """The folder, or the one file."""
    frames: int
    """Recorded since the start."""
    left_out: int
    """Frames that could not be recorded, since the start."""
    n_bytes: int
    """Text written since the start, before it was compressed."""
    pieces: int
    """Files of the recording, those of earlier runs too."""
    gaps: int
    """Rows added to the gap file since the start."""
    trouble: str
    """Why nothing is recorded right now, or what the disk suffers from, in words; empty when all is well."""


class LogRecorder:
    """Writes frames to a folder of pieces, or to one file.

    Parameters
    ----------
    path : a folder, made if it is not there; or one file that ends in ``.log`` and is never rotated
    channels : the names of the channels
    rotate_bytes : a piece that has grown so long is closed; None: never
    keep_free_bytes : recording pauses while the disk has less room than this
    compress : whether closed pieces are compressed
    clock_s : a clock that only goes on, s
    free_bytes : tells how much room a folder's disk has
    last_ns : nothing went by since this frame, where it is the last one there: the recording goes on without a gap
    lock : is held while a file of the place gets or loses its name in the background

    Raises
    ------
    InputError : the place cannot be written, holds another recording, or is recorded to by another program
    """

    def __init__(
        self,
        path: Path,
        channels: ChannelTable,
        *,
        rotate_bytes: int | None = ROTATE_BYTES,
        keep_free_bytes: int = KEEP_FREE_BYTES,
        compress: bool = True,
        clock_s: Callable[[], float] = time.monotonic,
        free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
        last_ns: int | None = None,
        lock: "threading.Lock | None" = None,
    ) -> None:
        self.place: RecordingPlace = place_at(path)
        self.channels = channels
        self._path = path
        self._rotate_bytes = rotate_bytes if self.place.file is None else None
        self._keep_free_bytes = keep_free_bytes
        self._clock_s = clock_s
        self._free_bytes = free_bytes
        self._gap_file, last, self.notes = _opened(self.place)
        """What was found damaged, or gone, of a recording that is gone on with, as sentences."""
        self._bus_notes, self._note_file = BusNotes(), NoteFile(self.place.notes_file)
        self._last_ns: int | None = last.t_ns
        """The time of the last frame recorded."""
        self._broke_off: str | None = None if last.t_ns is None else "the recorder was not running"
        """Why there is a gap before the next frame, if there is one."""
        self._number = last.number
        if self._last_ns is not None and last_ns == self._last_ns:
            self._broke_off = None
            self._number -= self.place.piece(last.number).exists()  # the piece itself is gone on with
        self._n_pieces = last.n_pieces
        self._file: BinaryIO | None = None
        self._good_bytes = 0
        """How far the current piece holds whole lines."""
        self._damaged = False
        self._looked_s = -math.inf
        self._has_room = True
        self.was_gone = False
        """Whether what is written to was once not where it was opened; what was written then may be lost."""
        self._pending_gaps: list[RecorderGap] = []
        self._begun: set[int | None] = set()
        """Channels of which it is written that a gap began, and not yet that it is over."""
        self._frames = self._left_out = self._written_bytes = self._n_gaps = 0
        self._trouble = ""
        self._closed = False
        self._keeper = PieceKeeper(compress=compress and self.place.file is None, lock=lock)
        self._keeper.start()
        for piece in last.to_compress:
            if piece != self.place.piece(self._number + 1):
                self._keeper.finish(None, piece)

    @property
    def state(self) -> RecorderState:
        """How the recording goes."""
        return RecorderState(
            path=self._path,
            frames=self._frames,
            left_out=self._left_out,
            n_bytes=self._written_bytes,
            pieces=self._n_pieces,
            gaps=self._n_gaps,
            trouble=self._trouble or (f"the disk: {self._keeper.trouble}" if self._keeper.trouble else ""),
        )

    @property
    def last_ns(self) -> int | None:
        """The time of the last frame recorded, in this run or one before; None when there is none."""
        return self._last_ns

    def write(
        self, frames: FrameBlock, gaps: Sequence[RecorderGap] = (), open_gaps: Sequence[RecorderGap] = ()
    ) -> None:
        """Record frames, each no earlier than any before, the gaps that became known, and that others began.

        A disk that is full or fails raises nothing: the frames are left out, `state` says so, and it goes on when it
        can.

        Raises
        ------
        InputError : the first frames are older than the end of the recording that is gone on with
        """
        if self._closed:
            return
        self._pending_gaps += gaps
        self._begun -= {gap.channel for gap in gaps}
        begun = [gap for gap in open_gaps if gap.channel not in self._begun]
        if begun and self._may_write() and self._attempt(lambda: self._write_begun(begun)):
            self._begun |= {gap.channel for gap in begun}
        if not len(frames):
            if self._pending_gaps and self._may_write():
                self._attempt(self._write_gaps)
            return
        first_ns = int(frames.t_ns[0])
        if self._last_ns is not None and first_ns < self._last_ns:
            raise InputError(
                str(self._path),
                "frames later than those recorded there",
                "a clock that stands before the end of the recording",
                "Set the laptop's clock, or record elsewhere.",
            )
        if not self._may_write() or not self._attempt(lambda: self._record(frames, first_ns)):
            self._leave_out(frames)

    def note(self, t_ns: int, buses: Sequence[BusState]) -> None:
        """Note what is new about the buses."""
        self._note_file.add(t_ns, self._bus_notes.news(buses))
        if not self._closed:
            self._may_write()  # a folder that is gone is said on a silent bus too

    @property
    def places(self) -> tuple[RecordingPlace, ...]:
        """Where it records to."""
        return (self.place,)

    def close(self) -> None:
        """End the recording: all is on the disk, and compressed, when this returns."""
        if self._closed:
            return
        self._closed = True
        self._attempt(self._write_gaps)
        if self._file is not None:
            self._keeper.finish(self._file, self.place.piece(self._number))
            self._file = None
        else:  # a piece that was to be gone on with, and was not
            self._keeper.finish(None, self.place.piece(self._number + 1))
        self._keeper.stop()
        self._gap_file.close()

    def abandon(self) -> None:
        """Let go of a place that is gone, without waiting for its disk."""
        self._closed = True
        self._keeper.use(None)
        self._keeper.stop(waits=False)
        with contextlib.suppress(OSError):
            self._gap_file.close()
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()

    def _record(self, frames: FrameBlock, first_ns: int) -> None:
        gaps = list(self._pending_gaps)
        if self._broke_off is not None and self._last_ns is not None and first_ns > self._last_ns:
            gaps.append(RecorderGap(from_ns=self._last_ns, to_ns=first_ns, channel=None, why=self._broke_off))
        self._gap_file.add(gaps, self.channels)
        try:
            self._open_piece(first_ns)
            self._write_text(log_text(frames, self.channels))
        except OSError:
            if gaps:
                self._gap_file.take_back()
            raise
        self._broke_off, self._pending_gaps = None, []
        self._n_gaps += len(gaps)
        self._frames += len(frames)
        self._last_ns = int(frames.t_ns[-1])

    def _write_begun(self, gaps: Sequence[RecorderGap]) -> None:
        self._gap_file.add(gaps, self.channels, begun=True)

    def _write_gaps(self) -> None:
        self._gap_file.add(self._pending_gaps, self.channels)
        self._n_gaps += len(self._pending_gaps)
        self._pending_gaps = []

    def _open_piece(self, first_ns: int) -> None:
        """Have a piece open to write to, a new one when it is time for it; pieces never share a time."""
        is_full = self._rotate_bytes is not None and self._good_bytes >= self._rotate_bytes
        if self._file is not None and is_full and (self._last_ns is None or first_ns > self._last_ns):
            self._keeper.finish(self._file, self.place.piece(self._number))
            self._file = None
        if self._file is not None:
            return
        number = 1 if self.place.file is not None else self._number + 1
        path = self.place.piece(number)
        is_new = not path.exists()
        file = path.open("ab", buffering=0)
        self._file, self._number, self._good_bytes = file, number, file.seek(0, 2)
        self._n_pieces += is_new
        if is_new:
            sync_folder(self.place.folder)
        self._keeper.use(file)

    def _write_text(self, text: bytes) -> None:
        """Write whole lines, or none of them."""
        file = self._file
        assert file is not None
        if self._damaged:
            file.truncate(self._good_bytes)
            self._damaged = False
        left = memoryview(text)
        try:
            while left:
                left = left[file.write(left) :]
        except OSError:
            self._damaged = True
            file.truncate(self._good_bytes)
            self._damaged = False
            raise
        self._good_bytes += len(text)
        self._written_bytes += len(text)

    def _may_write(self) -> bool:
        """Look now and then whether the disk has room."""
        now_s = self._clock_s()
        if now_s - self._looked_s < _LOOK_EVERY_S:
            return self._has_room
        self._looked_s = now_s
        if not self.in_place:
            self.was_gone = True
            if not self._take_up_again():
                self._has_room = False
                self._trouble = f"not recording: {self.place.folder} is gone, or another lies in its place"
                return False
        wanted = self._keep_free_bytes * (1.0 if self._has_room else _MORE_ROOM)
        try:
            free_bytes = self._free_bytes(self.place.folder)
        except OSError as error:
            self._has_room, self._trouble = False, f"not recording: {error.strerror or error}"
            return False
        self._has_room = free_bytes >= wanted
        if self._has_room:
            self._trouble = ""
        else:
            self._trouble = f"not recording: the disk has only {free_bytes / _MEGABYTE:,.0f} MB left"
        return self._has_room

    @property
    def in_place(self) -> bool:
        """Whether what is written to can still be found: a file that was deleted takes frames all the same."""
        files = [(self.place.gap_file, self._gap_file.file)]
        if self._file is not None:
            files.append((self.place.piece(self._number), self._file))
        try:
            return all(os.path.samestat(path.stat(), os.fstat(file.fileno())) for path, file in files)
        except (OSError, ValueError):  # gone; closed, since it could not be opened again
            return False

    def _take_up_again(self) -> bool:
        """Open the files again where they lie there again, on a disk that was plugged in again, say."""
        try:
            if not is_gap_file(self.place.gap_file):
                return False
            if self._file is not None:
                self._keeper.finish(self._file, self.place.piece(self._number))
                self._file = None
            self._gap_file.close()
            self._gap_file, last, _ = _opened(self.place)
        except (OSError, InputError):
            return False
        self._number, self._n_pieces, self._damaged = last.number, last.n_pieces, False
        if self._last_ns is not None and self._broke_off is None:
            self._broke_off = "its folder was gone"
        self._last_ns = max((t_ns for t_ns in (self._last_ns, last.t_ns) if t_ns is not None), default=None)
        return True

    def _attempt(self, work: Callable[[], None]) -> bool:
        try:
            work()
        except OSError as error:
            self._trouble = f"not recording: {error.strerror or error}"
            self._has_room, self._looked_s = False, self._clock_s()
            return False
        return True

    def _leave_out(self, frames: FrameBlock) -> None:
        self._left_out += len(frames)
        if self._last_ns is not None and self._broke_off is None:
            self._broke_off = self._trouble.removeprefix("not recording: ")


def _opened(place: RecordingPlace) -> tuple[GapFile, LastPiece, tuple[str, ...]]:
    """Make the folder, lock it, and see what is there already, and what is not.

    Raises
    ------
    InputError : as `LogRecorder`
    """
    where = str(place.file or place.folder)
    gap_file = None
    _require_plain(place)
    try:
        place.folder.mkdir(parents=True, exist_ok=True)
        _refuse_other_captures(place)
        is_lost = not place.gap_file.exists() and bool(place.pieces()) and place.file is None
        lost = f"{place.gap_file.name} is gone: which gaps it told of is not known." if is_lost else ""
        gap_file = GapFile(place.gap_file, among_pieces=place.file is None and bool(place.pieces()))
        if not try_lock(gap_file.file):
            raise InputError(where, "a place to record to", "another program that records there", "Name another.")
        return gap_file, tidy_up(place), tuple(note for note in (lost, gap_file.mended) if note)
    except (OSError, InputError) as error:
        if gap_file is not None:
            gap_file.close()
        if isinstance(error, InputError):
            raise
        raise InputError(where, "a place that can be written", found_instead(error), "Name another with -o.") from error


def _require_plain(place: RecordingPlace) -> None:
    """See that nothing is opened that would be waited for for ever.

    Raises
    ------
    InputError : a pipe, a device or a socket lies where a file is written
    """
    if place.file is None:
        require_plain_files(place.folder)
        return
    for path in (place.file, place.gap_file, place.marks_file, place.notes_file):
        odd = no_plain_file(path)
        if odd is not None:
            raise InputError(str(path), "a plain file", odd, "Name another with -o.")


def _refuse_other_captures(place: RecordingPlace) -> None:
    """A recording must not mix with captures that lie there already."""
    if is_gap_file(place.gap_file):
        return
    if place.file is not None:
        if place.file.exists() and place.file.stat().st_size:
            raise InputError(str(place.file), "a new file", "a capture that is there already", "Name another with -o.")
        return
    where, wanted = str(place.folder), "an empty folder, or one recorded to before"
    if (place.folder / RECORDING).is_dir():
        raise InputError(where, wanted, "the folder of a session", "Name another with -o.")
    tables = [suffix for suffix, reader in READERS.items() if reader.shared]  # those of the recording among them
    own = {path.name for path in place.pieces().values()}  # a recording that lost its gap file
    own |= {f"{name}.gz" for name in own}
    found = [p for p in place.folder.iterdir() if suffix_of(p) in READERS and p.suffix not in tables]
    others = [p.name for p in found if p.name not in own]
    if others:
        raise InputError(where, wanted, f"{others[0]} in it", "Name another with -o.")
