"""Small numbers for the streams of a capture, given in the order in which the streams first appear."""

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.controller import StreamKey

__all__ = ["StreamCodes"]

_FEW_ROWS = 4096
_HASH_BITS = 16
_HASH = np.uint64(0x9E3779B97F4A7C15)  # 2^64 divided by the golden ratio: spreads neighbouring identifiers
_EXTENDED_BIT = 29
_CHANNEL_SHIFT = 30


class StreamCodes:
    """Numbers streams by (channel, extended, identifier).

    A table with one place for each hash answers for almost every frame; the few streams whose places are taken are
    looked up in order. Streams beyond `most` are not numbered: random identifiers must not fill the memory.
    """

    def __init__(self, most: int) -> None:
        self.keys: list[StreamKey] = []
        self._most = most
        self._packed = np.zeros(0, np.int64)
        self._place = np.full(1 << _HASH_BITS, -1, np.int64)
        self._sorted = np.zeros(0, np.int64)
        self._order = np.zeros(0, np.int64)

    def of(self, block: FrameBlock) -> tuple[Int64Array, list[StreamKey]]:
        """Number the streams of a block's frames.

        Returns
        -------
        code : (n,) int64, -1 for frames of streams beyond the most that are numbered
        new : streams met for the first time, numbered on from the last
        """
        extended = (block.flags & FrameFlag.EXTENDED).astype(np.int64)
        packed = (
            block.channel.astype(np.int64) << _CHANNEL_SHIFT
            | extended << _EXTENDED_BIT
            | (block.id.astype(np.int64) & 0x1FFFFFFF)
        )
        code = self._look_up(packed)
        unknown = np.flatnonzero(code < 0)
        new: list[StreamKey] = []
        n_looked = _FEW_ROWS  # nearly all streams show in few frames: sorting all of a long block is not needed
        while len(unknown) and len(self.keys) < self._most:
            fresh, first = np.unique(packed[unknown[:n_looked]], return_index=True)
            fresh = fresh[np.argsort(first)][: self._most - len(self.keys)]
            met = [
                StreamKey(
                    channel=int(key) >> _CHANNEL_SHIFT,
                    extended=bool(int(key) >> _EXTENDED_BIT & 1),
                    id=int(key) & 0x1FFFFFFF,
                )
                for key in fresh
            ]
            self._learn(fresh, met)
            new += met
            code[unknown] = self._look_up(packed[unknown])
            unknown = unknown[code[unknown] < 0]
            n_looked *= 2
        return code, new

    def _learn(self, fresh: Int64Array, new: list[StreamKey]) -> None:
        first = len(self.keys)
        self.keys += new
        self._packed = np.concatenate((self._packed, fresh))
        self._order = np.argsort(self._packed, kind="stable")
        self._sorted = self._packed[self._order]
        place = _hash(fresh)
        for offset, at in enumerate(place.tolist()):
            if self._place[at] < 0:
                self._place[at] = first + offset

    def _look_up(self, packed: Int64Array) -> Int64Array:
        if not len(self._packed):
            return np.full(len(packed), -1, np.int64)
        code = self._place[_hash(packed)]
        wrong = np.flatnonzero(self._packed[code] != packed)  # a place that is empty reads the last stream: checked too
        if len(wrong):
            at = np.minimum(np.searchsorted(self._sorted, packed[wrong]), len(self._sorted) - 1)
            code[wrong] = np.where(self._sorted[at] == packed[wrong], self._order[at], -1)
        return code


def _hash(packed: Int64Array) -> Int64Array:
    return ((packed.view(np.uint64) * _HASH) >> np.uint64(64 - _HASH_BITS)).astype(np.int64)
