"""The watch over returns: when each stream arrived first, and again after each of its silences, with what followed.

Fed with the same blocks as every other watch; bounded memory; where the blocks are cut changes nothing.
"""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.sign import Sign
from busdoc.decode.sign_watch import SignWatch
from busdoc.health.controller import StreamKey
from busdoc.health.silence import CONTEXT, Silence
from busdoc.health.stream_codes import StreamCodes
from busdoc.health.track import Tracks

__all__ = ["ReturnWatch", "StreamArrivals"]

_MOST_STREAMS = 4096
_MOST_SIGNS = 100_000
_NO_TIMES = np.empty(0, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreamArrivals:
    """What is known of the arrivals of one stream."""

    key: StreamKey
    count: int
    last_ns: int
    runs: tuple[Int64Array, ...]
    """The first arrivals of the capture and those after each kept silence, up to 16 each, ns, ascending."""
    before_ns: tuple[int, ...]
    """The last arrival before each run; for the first one the smallest number."""

    def since(self, from_ns: int, until_ns: int) -> tuple[Int64Array, ...]:
        """Give the runs that begin within [from, until), cut there; none when the stream went on without a silence."""
        return tuple(run[run < until_ns] for run in self.runs if from_ns <= int(run[0]) < until_ns)


class ReturnWatch:
    """Remembers how every stream began and came back."""

    def __init__(self) -> None:
        self._codes = StreamCodes(_MOST_STREAMS)
        self._tracks = Tracks(with_context=True, quantile=0.75, factor=1.6)
        self._opening = np.zeros((0, CONTEXT), np.int64)
        self._n_opening = np.zeros(0, np.int64)
        self._sign_watch = SignWatch()
        self.signs: list[Sign] = []
        """Claims, boot-ups and first heartbeats, in the order of time."""
        self.start_ns: int | None = None
        self.last_ns: int | None = None

    def feed(self, block: FrameBlock) -> None:
        """Take in the next block."""
        if not len(block):
            return
        if self.start_ns is None:
            self.start_ns = int(block.t_ns[0])
        self.last_ns = int(block.t_ns[-1])
        if len(self.signs) < _MOST_SIGNS:
            self.signs += self._sign_watch.feed(block)
        others = (block.flags & np.uint16(FrameFlag.ERROR | FrameFlag.REMOTE | FrameFlag.TRANSMITTED)) != 0
        if others.any():
            block = block.take(~others)
        code, new = self._codes.of(block)
        if new:
            self._enrol(len(new))
        watched = code >= 0
        if not watched.all():
            block, code = block.take(watched), code[watched]
        if not len(block):
            return
        self._keep_opening(code, block.t_ns)
        self._tracks.feed(code, block.t_ns, block.data)

    def streams(self) -> dict[StreamKey, StreamArrivals]:
        """Give what is known of each stream so far."""
        return {key: self._arrivals(row, key) for row, key in enumerate(self._codes.keys)}

    def _enrol(self, n_new: int) -> None:
        self._tracks.add(n_new)
        room = self._tracks.n
        if room > len(self._opening):
            grown = np.zeros((max(room, 2 * len(self._opening)), CONTEXT), np.int64)
            grown[: len(self._opening)] = self._opening
            counts = np.zeros(len(grown), np.int64)
            counts[: len(self._n_opening)] = self._n_opening
            self._opening, self._n_opening = grown, counts

    def _keep_opening(self, code: Int64Array, t_ns: Int64Array) -> None:
        """Keep the first arrivals of each stream."""
        wanting = np.flatnonzero(self._n_opening[code] < CONTEXT)
        if not len(wanting):
            return
        order = wanting[np.argsort(code[wanting], kind="stable")]
        rows, first, counts = np.unique(code[order], return_index=True, return_counts=True)
        for row, at, n in zip(rows.tolist(), first.tolist(), counts.tolist(), strict=True):
            have = int(self._n_opening[row])
            take = min(n, CONTEXT - have)
            self._opening[row, have : have + take] = t_ns[order[at : at + take]]
            self._n_opening[row] = have + take

    def _arrivals(self, row: int, key: StreamKey) -> StreamArrivals:
        silences: list[Silence] = self._tracks.silences(row)
        opening = self._opening[row, : self._n_opening[row]].copy()
        if silences:  # a run ends where the next silence begins
            opening = opening[opening <= silences[0].from_ns]
        ends = [silence.from_ns for silence in silences[1:]] + [np.iinfo(np.int64).max] * bool(silences)
        runs = [silence.after_ns[silence.after_ns <= end] for silence, end in zip(silences, ends, strict=True)]
        return StreamArrivals(
            key=key,
            count=int(self._tracks.count[row]),
            last_ns=int(self._tracks.last_ns[row]),
            runs=(opening, *runs),
            before_ns=(np.iinfo(np.int64).min, *(silence.from_ns for silence in silences)),
        )
