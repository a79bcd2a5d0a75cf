"""A recording played back at its own pace, or faster: a source of frames like a live bus.

Reading stays as far behind as it can: only the blocks around the moment that is shown are held.
"""

import math
import time
from collections.abc import Callable, Generator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from busdoc.capture.bus.frames import overflows
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FRAMES_LOST, OVERRUN_SHOWN_NS, BusState, Hearing, Taken
from busdoc.capture.reading import RecorderGap
from busdoc.capture.source import Capture, open_capture
from busdoc.errors import InputError
from busdoc.times import SECOND_NS

__all__ = ["Playback"]

_BLOCK_FRAMES = 1 << 14
_SILENT_NS = SECOND_NS


class Playback:
    """Plays a recording (`busdoc.capture.listening.FrameSource`).

    Parameters
    ----------
    captures : files, or folders of them, that make up one recording
    speed : how many times faster than it was; `math.inf`: as fast as it is taken, one block each time
    clock_ns : a clock that only goes on, ns

    Raises
    ------
    InputError : a speed that is not above zero, or captures that cannot be found
    """

    def __init__(
        self, captures: Sequence[Path], speed: float = 1.0, *, clock_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        if not speed > 0:
            raise InputError("--speed", "a number above 0, or max", f"{speed:g}", "Write for example --speed 10.")
        self._capture: Capture = open_capture(captures, block_frames=_BLOCK_FRAMES)
        self.speed = speed
        self._clock_ns = clock_ns
        self._blocks: Generator[FrameBlock, None, None] | None = None
        self._ahead = FrameBlock.empty()
        """Read, and not yet due."""
        self._read_out = self._ended = False
        self._shown_ns = 0
        """How far the playback had come at `_shown_at_ns`, by the recording's clock."""
        self._shown_at_ns: int | None = None
        self._until_ns = 0
        self._last_ns: dict[int, int] = {}
        self._overrun_ns: dict[int, int] = {}
        self._told_gaps: set[RecorderGap] = set()

    @property
    def channels(self) -> ChannelTable:
        """The channels met so far."""
        return self._capture.channels

    @property
    def capture(self) -> Capture:
        """What is played: its files, warnings, and what was skipped so far."""
        return self._capture

    @property
    def epoch(self) -> bool:
        """Whether times are Unix times; else they count from the recording's own zero."""
        return self._capture.epoch

    @property
    def finished(self) -> bool:
        """Whether every frame was handed over."""
        return self._ended

    def start(self) -> None:
        """Begin at the first frame.

        Raises
        ------
        InputError : there is no frame, or a file turns out to be of another kind
        """
        if self._blocks is not None:
            return
        self._blocks = self._capture.blocks()
        self._read()
        first_ns = int(self._ahead.t_ns[0])
        self._shown_ns = self._until_ns = first_ns
        self._shown_at_ns = self._clock_ns()

    def stop(self) -> None:
        """Let go of the files."""
        if self._blocks is not None:
            self._blocks.close()
        self._read_out = self._ended = True
        self._shown_at_ns = None

    def now_ns(self) -> int:
        """Give how far the playback has come, on the recording's clock."""
        if self._shown_at_ns is None or math.isinf(self.speed):
            return max(self._shown_ns, self._until_ns)
        elapsed_ns = self._clock_ns() - self._shown_at_ns
        return self._shown_ns + (elapsed_ns if self.speed == 1 else round(elapsed_ns * self.speed))

    def take(self) -> Taken:
        """Hand over the frames that are due, without waiting.

        Raises
        ------
        InputError : a file of the recording turns out to be of another kind
        """
        frames = self._take_next() if math.isinf(self.speed) else self._take_due(self.now_ns())
        if len(frames):
            for channel in np.unique(frames.channel).tolist():
                self._last_ns[channel] = int(frames.t_ns[np.flatnonzero(frames.channel == channel)[-1]])
        for row in overflows(frames).tolist():
            self._overrun_ns[int(frames.channel[row])] = int(frames.t_ns[row])
        if self._read_out and not len(self._ahead) and not self._ended:
            self._ended = True
            self._shown_at_ns = None
            self._shown_ns = self._until_ns
        gaps = self._new_gaps()
        return Taken(frames=frames, gaps=gaps, heard_until_ns=self._until_ns, open_gaps=self._open_gaps())

    def buses(self) -> tuple[BusState, ...]:
        """Say how each channel met so far was heard at this moment of the recording."""
        return tuple(self._bus(channel) for channel in self.channels.numbers)

    def _bus(self, channel: int) -> BusState:
        last_ns = self._last_ns.get(channel)
        hearing, since_ns = Hearing.HEARD, self._until_ns if last_ns is None else last_ns
        if self._ended:
            hearing, since_ns = Hearing.ENDED, self._until_ns
        elif self._until_ns - (overrun_ns := self._overrun_ns.get(channel, -OVERRUN_SHOWN_NS)) < OVERRUN_SHOWN_NS:
            return self._state(channel, Hearing.OVERRUN, overrun_ns, FRAMES_LOST)
        elif last_ns is None or self._until_ns - last_ns > _SILENT_NS:
            hearing = Hearing.SILENT
        return self._state(channel, hearing, since_ns)

    def _state(self, channel: int, hearing: Hearing, since_ns: int, note: str = "") -> BusState:
        name = self.channels.name(channel)
        return BusState(name=name, channel=channel, hearing=hearing, since_ns=since_ns, note=note)

    def _take_next(self) -> FrameBlock:
        """Give the next block whole."""
        frames, self._ahead = self._ahead, FrameBlock.empty()
        self._read()
        if len(frames):
            # frames of the same time may stand in the next block: no more is sure than up to the last one here
            self._until_ns = max(self._until_ns, int(frames.t_ns[-1]))
        return frames

    def _take_due(self, now_ns: int) -> FrameBlock:
        pieces = []
        while len(self._ahead) and self._ahead.t_ns[0] <= now_ns:
            n_due = int(np.searchsorted(self._ahead.t_ns, now_ns, side="right"))
            pieces.append(self._ahead.slice(0, n_due))
            self._ahead = self._ahead.slice(n_due, len(self._ahead))
            if not len(self._ahead):
                self._read()
        frames = FrameBlock.concat(pieces)
        until_ns = now_ns
        if self._read_out and not len(self._ahead):
            until_ns = int(frames.t_ns[-1]) if len(frames) else self._until_ns
        self._until_ns = max(self._until_ns, until_ns)
        return frames

    def _read(self) -> None:
        """Read the next block that holds frames."""
        if self._blocks is None or self._read_out:
            return
        for block in self._blocks:
            if len(block):
                self._ahead = block
                return
        self._read_out = True

    def _new_gaps(self) -> tuple[RecorderGap, ...]:
        new = [gap for gap in self._capture.gaps if gap not in self._told_gaps and self._is_reached(gap)]
        self._told_gaps.update(new)
        return tuple(new)

    def _open_gaps(self) -> tuple[RecorderGap, ...]:
        """Give the gaps that the playback is in, as far as it has come in them."""
        until_ns = self._until_ns
        return tuple(replace(gap, to_ns=until_ns) for gap in self._capture.gaps if gap.from_ns < until_ns < gap.to_ns)

    def _is_reached(self, gap: RecorderGap) -> bool:
        return self._ended or gap.to_ns <= self._until_ns
