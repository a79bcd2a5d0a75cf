"""The CANopen nodes of a capture, and their answers to node guarding (CiA 301)."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.canopen.error_control import NmtState
from busdoc.decode.protocols.protocol_frames import Topic

__all__ = ["NodeHistory", "NodeWatch"]

_STATES = np.array([int(state) for state in NmtState], np.uint8)
_TOGGLE = 0x80


@dataclass(slots=True, kw_only=True)
class NodeHistory:
    """One node as heard."""

    channel: int
    node: int
    is_guarded: bool = False
    """It alternates the toggle bit: it answers node guarding and sends no heartbeat."""
    n_equal_toggles: int = 0
    """Answers with the toggle bit of the one before: of a guarded node, an answer between them was lost."""
    last_byte: int | None = None

    @property
    def lost_answers(self) -> int:
        """Answers to node guarding that were lost; 0 for a node that sends heartbeats."""
        return self.n_equal_toggles if self.is_guarded else 0


class NodeWatch:
    """Takes blocks in order; where they are cut changes nothing. Vectorised over each node's messages."""

    def __init__(self) -> None:
        self._nodes: dict[tuple[int, int], NodeHistory] = {}

    @property
    def nodes(self) -> tuple[NodeHistory, ...]:
        """Every node that was heard, by channel and number."""
        return tuple(history for _, history in sorted(self._nodes.items()))

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        is_remote = (block.flags & np.uint16(FrameFlag.REMOTE)) != 0
        control = np.flatnonzero((topic == Topic.ERROR_CONTROL) & ~is_remote & (block.length == 1))
        control = control[np.isin(block.data[control, 0] & np.uint8(0x7F), _STATES)]
        for key, rows in _by_node(block, control):
            self._listen(key, block.data[rows, 0])

    def _listen(self, key: tuple[int, int], said: UInt8Array) -> None:
        """Take in what a node said, byte by byte in the order of time."""
        history = self._nodes.get(key)
        if history is None:
            history = self._nodes[key] = NodeHistory(channel=key[0], node=key[1])
        # each byte against the one before; the first one has none, and a boot-up begins anew with either toggle
        chain = said if history.last_byte is None else np.concatenate((np.array([history.last_byte], np.uint8), said))
        old, new = chain[:-1], chain[1:]
        equal = ((old ^ new) & _TOGGLE == 0) & (old != NmtState.BOOT_UP) & (new != NmtState.BOOT_UP)
        history.n_equal_toggles += int(np.count_nonzero(equal))
        history.is_guarded = history.is_guarded or bool((said & _TOGGLE).any())
        history.last_byte = int(said[-1])


def _by_node(block: FrameBlock, rows: Int64Array) -> list[tuple[tuple[int, int], Int64Array]]:
    """Give the rows of each (channel, node), in the order of time."""
    if not len(rows):
        return []
    speaker = block.channel[rows].astype(np.int64) << 7 | (block.id[rows].astype(np.int64) & 0x7F)
    order = np.argsort(speaker, kind="stable")
    ordered = speaker[order]
    edges = np.flatnonzero(np.diff(ordered)) + 1
    return [
        ((int(ordered[part[0]]) >> 7, int(ordered[part[0]]) & 0x7F), rows[order[part]])
        for part in np.split(np.arange(len(order)), edges)
    ]
