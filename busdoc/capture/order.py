"""Brings one file's frames into the order of time.

A recorder that writes several channels interleaves them with a little disorder: that is sorted. A line whose time lies
far from its neighbours' is damage: it is dropped and counted. A clock that was set back stays back: what follows is
moved up to where the recording stood, with a warning and a gap, so that times never go back.

What comes out does not depend on where the file was cut into blocks.
"""

from dataclasses import replace

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.times import SECOND_NS

__all__ = ["WINDOW_NS", "TimeOrder"]

WINDOW_NS = SECOND_NS
"""Disorder up to this is sorted; a step beyond it is looked at."""

_NEIGHBOURS = 16
"""How many of the following lines decide whether a step in time is shared or an outlier."""

_FAR_NS = 86_400 * SECOND_NS
"""A forward step beyond a day is no pause of a machine at work but a recorder that was off, or a clock that was set."""

_AFTER_STEP_NS = 1_000
"""Where a clock was set back, the recording goes on this much later: how much later it really was, nobody knows."""

_ROWS_A_BLOCK = 200_000
"""Smaller blocks cost more by their number, larger ones by their size."""

_MOST_HELD = 1 << 20
"""Frames held for sorting; only a file without usable times has as many within the window."""


class TimeOrder:
    """Takes blocks in file order and gives blocks whose times never go back."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._high_ns: int | None = None  # the latest time accepted so far, after shifting
        self._shift_ns = 0  # added to what the file says since its clock was set back
        self._floor_ns = -LATEST_NS  # what was given out already
        self._held = FrameBlock.empty()  # accepted and sorted, but an earlier frame may still come
        self._gathered: list[FrameBlock] = []  # accepted since: joined once there are enough to be worth a block
        self._n_gathered = 0
        self._n_enough = _ROWS_A_BLOCK if reading.chunk_bytes is None else 1
        self._undecided: ReadBlock | None = None  # a step whose following lines have not been read

    def feed(self, block: ReadBlock) -> FrameBlock:
        """Take the next frames of the file; give those that no later one can precede."""
        return self._settle(block, last=False)

    def close(self) -> FrameBlock:
        """Give the rest."""
        empty = ReadBlock(frames=FrameBlock.empty(), first_line=1)
        return self._settle(empty, last=True)

    def _settle(self, block: ReadBlock, *, last: bool) -> FrameBlock:
        if self._undecided is not None:
            block = ReadBlock.join(self._undecided, block)
            self._undecided = None
        t_ns, keep, n_settled = self._judge(block, last=last)
        if n_settled < len(block.frames):
            self._undecided = block.tail(n_settled)
        frames = block.frames.slice(0, n_settled) if n_settled < len(block.frames) else block.frames
        frames = _with_times(frames, t_ns)
        if keep is not None:
            frames = frames.take(keep)
        return self._release(frames, last=last)

    def _judge(self, block: ReadBlock, *, last: bool) -> tuple[Int64Array, BoolArray | None, int]:
        """Decide on each row: its shifted time, whether it is kept (None for all), and how many rows are decided."""
        # most blocks hold no step at all, and are kept whole
        raw_ns = block.frames.t_ns
        n = len(raw_ns)
        if self._high_ns is not None and n and self._is_smooth(raw_ns):
            self._high_ns = int(raw_ns[-1]) + self._shift_ns
            return (raw_ns + self._shift_ns if self._shift_ns else raw_ns), None, n
        # else from step to step: what lies before one is kept as it is
        t_ns = np.empty(n, np.int64)
        keep = np.ones(n, np.bool_)
        row, span = 0, 64
        while row < n:
            part_ns = raw_ns[row : row + span] + self._shift_ns
            suspect, high_ns = self._first_suspect(part_ns)
            t_ns[row : row + suspect] = part_ns[:suspect]
            self._high_ns = high_ns
            row += suspect
            if suspect == len(part_ns):
                span *= 2  # steps are rare: looking far is cheap until one is met
                continue
            # the rows after the step decide what it was; where they have not been read, they are waited for
            span = 64
            following_ns = raw_ns[row + 1 : row + 1 + _NEIGHBOURS] + self._shift_ns
            if len(following_ns) < _NEIGHBOURS and not last:
                break
            keep[row] = self._accept_step(int(part_ns[suspect]), following_ns, block.line_of(row))
            t_ns[row] = raw_ns[row] + self._shift_ns
            row += 1
        return t_ns[:row], (None if keep[:row].all() else keep[:row]), row

    def _is_smooth(self, raw_ns: Int64Array) -> bool:
        """Whether a whole block follows on without a step: nearly all do."""
        assert self._high_ns is not None
        if not 0 <= int(raw_ns[0]) + self._shift_ns - self._high_ns <= WINDOW_NS:
            return False
        steps_ns = np.diff(raw_ns)
        return not len(steps_ns) or bool(steps_ns.min() >= 0 and steps_ns.max() <= WINDOW_NS)

    def _first_suspect(self, part_ns: Int64Array) -> tuple[int, int | None]:
        """Find the first row that lies more than the window from the latest time before it, and that latest time."""
        if self._high_ns is None:
            return 0, None
        high_ns = np.maximum.accumulate(np.concatenate((np.array([self._high_ns], np.int64), part_ns)))
        stepped = np.abs(part_ns - high_ns[:-1]) > WINDOW_NS
        first = int(np.argmax(stepped)) if stepped.any() else len(part_ns)
        return first, int(high_ns[first])

    def _accept_step(self, t_ns: int, following_ns: Int64Array, line: int) -> bool:
        """Judge one row that steps; moves the clock when it was set back. False: an outlier, counted."""
        n_following = len(following_ns)
        high_ns = self._high_ns
        behind = int(np.count_nonzero(following_ns < t_ns - WINDOW_NS))  # they do not share a step ahead
        # the first frame: only its followers can speak against it
        if high_ns is None:
            beyond = int(np.count_nonzero(following_ns > t_ns + _FAR_NS))
            if 2 * behind > n_following or 2 * beyond > n_following:
                return self._drop(line, "its time is far from that of the lines after it")
            self._high_ns = t_ns
            return True
        # a step ahead: a pause, unless the rows after it stayed where they were; beyond a day a gap
        if t_ns > high_ns:
            alone_and_far = not n_following and t_ns - high_ns > _FAR_NS
            if 2 * behind > n_following or alone_and_far or t_ns > LATEST_NS:
                return self._drop(line, "its time is far ahead of its neighbours")
            if t_ns - high_ns > _FAR_NS:
                self._reading.warn(
                    f"line {line}: time steps ahead by {_duration(t_ns - high_ns)}; the recorder was off, or its clock"
                    " was set. Nothing is said of the time between.",
                    kind="clock ahead",
                )
                self._reading.gap(high_ns, t_ns, "time steps ahead in the file")
            self._high_ns = t_ns
            return True
        # a step back: damage, unless most rows after it stayed back too
        stayed_back = following_ns[following_ns < high_ns - WINDOW_NS]
        if 2 * len(stayed_back) <= n_following:
            return self._drop(line, "its time is far behind its neighbours")
        # the clock was set back: everything from here on is moved up, the earliest of it to just behind what there was
        together = stayed_back[np.abs(stayed_back - t_ns) <= WINDOW_NS]
        earliest_ns = min(t_ns, int(together.min())) if len(together) else t_ns
        moved_ns = high_ns + _AFTER_STEP_NS - earliest_ns
        self._shift_ns += moved_ns
        self._high_ns = t_ns + moved_ns
        self._reading.warn(
            f"line {line}: the recorder's clock was set back by {_duration(moved_ns)}; what follows is moved up to"
            " where the recording stood.",
            kind="clock back",
        )
        self._reading.gap(high_ns, high_ns + _AFTER_STEP_NS, "the recorder's clock was set back")
        return True

    def _drop(self, line: int, reason: str) -> bool:
        self._reading.skip(line, reason)
        return False

    def _release(self, frames: FrameBlock, *, last: bool) -> FrameBlock:
        """Sort what was accepted into what is held, and give what lies before the window."""
        self._gathered.append(frames)
        self._n_gathered += len(frames)
        if self._n_gathered < self._n_enough and not last:
            return FrameBlock.empty()
        # sort what is held with what came since
        frames = FrameBlock.concat([self._held, *self._gathered])
        self._gathered, self._n_gathered = [], 0
        t_ns = frames.t_ns
        if not len(t_ns):
            self._held = frames
            return frames
        if np.any(t_ns[1:] < t_ns[:-1]):
            frames = frames.take(np.argsort(t_ns, kind="stable"))
            t_ns = frames.t_ns
        if t_ns[0] < self._floor_ns:  # only after frames had to be let go early
            frames = _with_times(frames, np.maximum(t_ns, self._floor_ns))
            t_ns = frames.t_ns
        # within the window an earlier frame may still come: that is held, as far as the memory may
        assert self._high_ns is not None
        n_ready = len(t_ns) if last else int(np.searchsorted(t_ns, self._high_ns - WINDOW_NS, side="right"))
        if len(t_ns) - n_ready > _MOST_HELD:
            n_ready = len(t_ns) - _MOST_HELD // 2
        if not n_ready:
            self._held = frames
            return FrameBlock.empty()
        self._floor_ns = int(t_ns[n_ready - 1])
        self._held = frames.slice(n_ready, len(t_ns))
        return frames.slice(0, n_ready)


def _with_times(frames: FrameBlock, t_ns: Int64Array) -> FrameBlock:
    return frames if t_ns is frames.t_ns else replace(frames, t_ns=t_ns)


def _duration(n_ns: int) -> str:
    """Word a duration as a person would say it.

    >>> _duration(90_000_000_000), _duration(10 * 365 * 86_400 * SECOND_NS)
    ('1.5 minutes', '10.0 years')
    """
    n_s = n_ns / SECOND_NS
    for unit, size_s in (("years", 365 * 86_400), ("days", 86_400), ("hours", 3600), ("minutes", 60)):
        if n_s >= 0.995 * size_s:
            return f"{n_s / size_s:.1f} {unit}"
    return f"{n_s:.3f} s"
