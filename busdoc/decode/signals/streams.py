"""The streams of a capture that carry known messages: one for each channel and identifier, with its signals' slots."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int32Array, Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message

__all__ = ["SignalStream", "StreamTable", "hashed", "stream_key", "stream_keys"]

_UNWATCHED = -1
_UNKNOWN = -2
_MOST_KEYS = 1 << 16
_MOST_SLOTS = 1 << 16
_NO_SIGNALS = np.uint16(FrameFlag.ERROR | FrameFlag.REMOTE)
_HASH = 0x9E3779B97F4A7C1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SignalStream:
    """One identifier on one channel, and the message that it is."""

    channel: int
    id: int
    extended: bool
    message: Message
    first_slot: int


def stream_keys(block: FrameBlock) -> Int64Array:
    """Give each frame's channel, format and identifier as one number."""
    extended = (block.flags & np.uint16(FrameFlag.EXTENDED)).astype(np.int64)
    return (block.channel.astype(np.int64) << 32) | (extended << 31) | block.id.astype(np.int64)


def stream_key(channel: int, extended: bool, frame_id: int) -> int:
    """Give the number of one stream, as `stream_keys` gives those of frames."""
    return channel << 32 | int(extended) << 31 | frame_id


def hashed(stream_of_key: Mapping[int, int]) -> tuple[Int64Array, Int32Array]:
    """Lay numbers of streams out as an open hash table for compiled code: keys, -1 where free, and what each gives."""
    n_places = 1 << (4 * len(stream_of_key)).bit_length()
    keys, streams = np.full(n_places, -1, np.int64), np.full(n_places, _UNWATCHED, np.int32)
    for key, stream in stream_of_key.items():
        place = ((key * _HASH & 0xFFFFFFFFFFFFFFFF) >> 20) & (n_places - 1)
        while keys[place] != -1:
            place = (place + 1) & (n_places - 1)
        keys[place], streams[place] = key, stream
    return keys, streams


class StreamTable:
    """Numbers the streams in the order of their first frames, whatever the cuts between blocks.

    A capture with more identifiers than any machine has is watched as far as there is room; the rest is counted.
    """

    def __init__(self, database: Database) -> None:
        self.streams: list[SignalStream] = []
        self.n_slots = 0
        self.n_unwatched_frames = 0
        """Data frames for whose stream there was no room."""
        self._database = database
        self._stream_of_key: dict[int, int] = {}
        self._sorted_keys = np.empty(0, np.int64)
        self._sorted_streams = np.empty(0, np.int32)
        self.hash_keys = np.full(2, -1, np.int64)
        self.hash_streams = np.full(2, _UNWATCHED, np.int32)

    def match(self, block: FrameBlock, *, compiled: bool) -> Int32Array:
        """Give each frame's stream, (n,); -1 where it has none. New streams are added."""
        found = self._look_up(block, compiled)
        unknown = found == _UNKNOWN
        if not unknown.any():
            return found
        if len(self._stream_of_key) < _MOST_KEYS:
            self._add(stream_keys(block)[unknown])
            found = self._look_up(block, compiled)
            unknown = found == _UNKNOWN
        self.n_unwatched_frames += int(unknown.sum())
        return np.where(unknown, np.int32(_UNWATCHED), found)

    def _look_up(self, block: FrameBlock, compiled: bool) -> Int32Array:
        if compiled:
            from busdoc.decode.signals.kernel import match_streams  # loads LLVM: 30 ms

            found = np.empty(len(block), np.int32)
            match_streams(
                np.require(block.channel, requirements=("C", "W")),
                np.require(block.id, requirements=("C", "W")),
                np.require(block.flags, requirements=("C", "W")),
                self.hash_keys,
                self.hash_streams,
                found,
            )
            return found
        no_signals: BoolArray = (block.flags & _NO_SIGNALS) != 0
        if not len(self._sorted_keys):
            return np.where(no_signals, np.int32(_UNWATCHED), np.int32(_UNKNOWN))
        keys = stream_keys(block)
        place = np.minimum(np.searchsorted(self._sorted_keys, keys), len(self._sorted_keys) - 1)
        found = np.where(self._sorted_keys[place] == keys, self._sorted_streams[place], np.int32(_UNKNOWN))
        found[no_signals] = _UNWATCHED
        return found

    def _add(self, keys: Int64Array) -> None:
        """Find the messages of keys that were not met before."""
        unique, first = np.unique(keys, return_index=True)
        for key in unique[np.argsort(first)].tolist():
            if len(self._stream_of_key) >= _MOST_KEYS:
                break
            channel, extended, identifier = key >> 32, bool(key >> 31 & 1), key & 0x7FFFFFFF
            message = self._database.find(channel, identifier, extended)
            self._stream_of_key[key] = _UNWATCHED
            if message is not None and message.signals and self.n_slots + len(message.signals) <= _MOST_SLOTS:
                self._stream_of_key[key] = len(self.streams)
                self.streams.append(
                    SignalStream(
                        channel=channel, id=identifier, extended=extended, message=message, first_slot=self.n_slots
                    )
                )
                self.n_slots += len(message.signals)
        self._index()

    def _index(self) -> None:
        """Lay the known keys out for both ways of looking them up."""
        self._sorted_keys = np.array(sorted(self._stream_of_key), np.int64)
        self._sorted_streams = np.array([self._stream_of_key[key] for key in self._sorted_keys.tolist()], np.int32)
        self.hash_keys, self.hash_streams = hashed(self._stream_of_key)
