"""A recording that is kept in two places: what one of them misses while it is away is written back when it returns."""

import contextlib
import math
import shutil
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import BusState
from busdoc.capture.place import RecordingPlace, place_at
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.recorder import KEEP_FREE_BYTES, ROTATE_BYTES, LogRecorder, RecorderState
from busdoc.capture.recorder.write_back import WriteBack, even_out, last_frame_ns
from busdoc.errors import InputError, found_instead

__all__ = ["TwofoldRecorder"]

_TRY_EVERY_S = 1.0
_LONGEST_WAIT_S = 1.0
"""For a piece to take its new name, which is all that the lock of a place is held for."""
_LONGEST_WAIT_AT_END_S = 30.0
_MORE_ROOM = 1.02
"""A disk that was full is recorded to again when it has this much more room, so that it does not flutter."""


class TwofoldRecorder:
    """Records to two places at once, as `LogRecorder` does to one.

    Parameters
    ----------
    path, also : the places; what one of them has of an earlier run and the other lacks is copied first
    channels : the names of the channels
    rotate_bytes, keep_free_bytes, clock_s, free_bytes : as for `LogRecorder`

    Raises
    ------
    InputError : as for `LogRecorder`
    """

    def __init__(
        self,
        path: Path,
        also: Path,
        channels: ChannelTable,
        *,
        rotate_bytes: int | None = ROTATE_BYTES,
        keep_free_bytes: int = KEEP_FREE_BYTES,
        clock_s: Callable[[], float] = time.monotonic,
        free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
    ) -> None:
        self._paths = (path, also)
        self._channels = channels
        self._rotate_bytes = rotate_bytes
        self._keep_free_bytes = keep_free_bytes
        self._clock_s = clock_s
        self._free_bytes = free_bytes
        self._locks = (threading.Lock(), threading.Lock())
        """One for each place: held while a file gets or loses its name there, and while the place is written back."""
        try:
            even_out(place_at(path), place_at(also))
        except OSError as error:
            where = f"{path}, {also}"
            raise InputError(where, "two places that can be written", found_instead(error), "Name others.") from error
        first = self._opened(0)
        try:
            second = self._opened(1)
        except BaseException:
            first.close()
            raise
        self._recorders: list[LogRecorder | None] = [first, second]
        self._counted: list[RecorderState | None] = [None, None]
        """What had been recorded when a place was recorded to again."""
        self._why = ["", ""]
        self._backs: list[WriteBack | None] = [None, None]
        self._tried_s = -math.inf
        self.notes = first.notes

    @property
    def place(self) -> RecordingPlace:
        """Where all that was recorded lies: the first place, unless it is away."""
        return self._good.place

    @property
    def places(self) -> tuple[RecordingPlace, ...]:
        """The places that are not away."""
        return tuple(recorder.place for recorder in self._recorders if recorder is not None)

    @property
    def state(self) -> RecorderState:
        """How the recording goes."""
        n = self._recorders.index(self._good)
        state, before = self._good.state, self._counted[n]
        if before is not None:
            state = replace(
                state,
                frames=before.frames + state.frames,
                left_out=before.left_out + state.left_out,
                n_bytes=before.n_bytes + state.n_bytes,
                gaps=before.gaps + state.gaps,
            )
        texts = [
            f"{self._paths[n]} {self._why[n]}: all is kept in {self._paths[1 - n]} until it is back"
            for n, recorder in enumerate(self._recorders)
            if recorder is None
        ]
        return replace(state, trouble="; ".join((*texts, state.trouble) if state.trouble else texts))

    @property
    def last_ns(self) -> int | None:
        """The time of the last frame recorded; None when there is none."""
        return self._good.last_ns

    def write(
        self, frames: FrameBlock, gaps: Sequence[RecorderGap] = (), open_gaps: Sequence[RecorderGap] = ()
    ) -> None:
        """Record, as `LogRecorder.write` does.

        Raises
        ------
        InputError : the first frames are older than the end of the recording that is gone on with
        """
        for recorder in self._recorders:
            if recorder is not None:
                recorder.write(frames, gaps, open_gaps)
        self._look()

    def note(self, t_ns: int, buses: Sequence[BusState]) -> None:
        """Note what is new about the buses."""
        for recorder in self._recorders:
            if recorder is not None:
                recorder.note(t_ns, buses)
        self._look()

    def close(self) -> None:
        """End the recording; a place that is back is made whole first."""
        self._let_go()
        for n in range(len(self._recorders)):
            if self._recorders[n] is None:
                self._write_back(n, math.inf, _LONGEST_WAIT_AT_END_S)
        for recorder in self._recorders:
            if recorder is not None:
                recorder.close()

    def _opened(self, n: int, last_ns: int | None = None) -> LogRecorder:
        return LogRecorder(
            self._paths[n],
            self._channels,
            rotate_bytes=self._rotate_bytes,
            keep_free_bytes=self._keep_free_bytes,
            clock_s=self._clock_s,
            free_bytes=self._free_bytes,
            last_ns=last_ns,
            lock=self._locks[n],
        )

    @property
    def _good(self) -> LogRecorder:
        return next(recorder for recorder in self._recorders if recorder is not None)

    def _look(self) -> None:
        """Let go of a place that has left, and see whether one is back."""
        self._let_go()
        now_s = self._clock_s()
        for n, recorder in enumerate(self._recorders):
            if recorder is None and (self._backs[n] is not None or now_s - self._tried_s >= _TRY_EVERY_S):
                self._tried_s = now_s
                self._write_back(n, 1, _LONGEST_WAIT_S)

    def _let_go(self) -> None:
        """Let go of a place that misses frames, as long as the other has them all."""
        first, second = self._recorders
        if first is None or second is None:
            return
        lacking = [n for n, recorder in enumerate((first, second)) if recorder.was_gone or recorder.state.left_out]
        if len(lacking) == 1:
            (n,) = lacking
            recorder = (first, second)[n]
            trouble = recorder.state.trouble.removeprefix("not recording: ")
            self._why[n] = "is gone" if recorder.was_gone else f"lacks frames ({trouble or 'it fell behind'})"
            recorder.abandon()
            self._recorders[n] = None

    def _write_back(self, n: int, most_steps: float, most_wait_s: float) -> None:
        """Copy what a place lacks; record there again when it has everything."""
        place, source = place_at(self._paths[n]), self._good
        try:
            room = self._free_bytes(place.folder) if place.gap_file.exists() else 0
            if room < _MORE_ROOM * self._keep_free_bytes or not source.in_place:
                return
            with contextlib.ExitStack() as held:
                for lock in self._locks:
                    if not lock.acquire(timeout=most_wait_s):  # a disk that hangs: it is tried again
                        return
                    held.callback(lock.release)
                back = self._backs[n] = self._backs[n] or WriteBack(source.place, place)
                k = 0
                while not back.step():
                    k += 1
                    if k >= most_steps:
                        return
                if last_frame_ns(place) != source.last_ns:
                    return
                recorder = self._opened(n, source.last_ns)
        except (OSError, InputError) as error:  # gone again, or without room
            self._backs[n] = None
            self._why[n] = (
                f"cannot be written ({found_instead(error) if isinstance(error, OSError) else error.args[2]})"
            )
            return
        self._counted[n] = self.state
        self._backs[n], self._recorders[n] = None, recorder
