"""The CANopen nodes of a capture: states, boot-ups, what they were told, answers to node guarding (CiA 301)."""

from dataclasses import dataclass, field

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.canopen.error_control import NmtCommand, NmtState
from busdoc.decode.protocols.protocol_frames import Topic

__all__ = ["NodeHistory", "NodeWatch"]

_MOST_EVENTS = 1000
_STATES = np.array([int(state) for state in NmtState], np.uint8)
_COMMANDS = frozenset(int(command) for command in NmtCommand)
_TOGGLE = 0x80


@dataclass(slots=True, kw_only=True)
class NodeHistory:
    """One node as heard."""

    channel: int
    node: int
    first_ns: int
    last_ns: int
    n_messages: int = 0
    """Heartbeats, boot-ups and answers."""
    n_guarded: int = 0
    """Requests of node guarding."""
    is_guarded: bool = False
    """It alternates the toggle bit: it answers node guarding and sends no heartbeat."""
    n_equal_toggles: int = 0
    """Answers with the toggle bit of the one before: of a guarded node, an answer between them was lost."""
    states: list[tuple[int, NmtState]] = field(default_factory=list)
    """(ns, state) at each change, the first thousand."""
    boot_ups_ns: list[int] = field(default_factory=list)
    """The first thousand."""
    last_byte: int | None = None

    @property
    def lost_answers(self) -> int:
        """Answers to node guarding that were lost; 0 for a node that sends heartbeats."""
        return self.n_equal_toggles if self.is_guarded else 0


class NodeWatch:
    """Takes blocks in order; where they are cut changes nothing. Vectorised over each node's messages."""

    def __init__(self) -> None:
        self._nodes: dict[tuple[int, int], NodeHistory] = {}
        self._guarded: dict[tuple[int, int], int] = {}
        self.commands: list[tuple[int, int, NmtCommand, int]] = []
        """(ns, channel, command, node or 0 for all), the first thousand."""

    @property
    def nodes(self) -> tuple[NodeHistory, ...]:
        """Every node that was heard, by channel and number."""
        for key, history in self._nodes.items():
            history.n_guarded = self._guarded.get(key, 0)
        return tuple(history for _, history in sorted(self._nodes.items()))

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        is_remote = (block.flags & np.uint16(FrameFlag.REMOTE)) != 0
        is_control = topic == Topic.ERROR_CONTROL
        for key, rows in _by_node(block, np.flatnonzero(is_control & is_remote)):
            self._guarded[key] = self._guarded.get(key, 0) + len(rows)
        control = np.flatnonzero(is_control & ~is_remote & (block.length == 1))
        control = control[np.isin(block.data[control, 0] & np.uint8(0x7F), _STATES)]
        for key, rows in _by_node(block, control):
            self._listen(key, block.t_ns[rows], block.data[rows, 0])
        commands = np.flatnonzero((topic == Topic.NMT) & ~is_remote & (block.length == 2))
        for row in commands[: _MOST_EVENTS - len(self.commands)].tolist():
            command, node = int(block.data[row, 0]), int(block.data[row, 1])
            if command in _COMMANDS and node <= 127:
                self.commands.append((int(block.t_ns[row]), int(block.channel[row]), NmtCommand(command), node))

    def _listen(self, key: tuple[int, int], t_ns: Int64Array, said: UInt8Array) -> None:
        history = self._nodes.get(key)
        if history is None:
            first_ns = int(t_ns[0])
            history = NodeHistory(channel=key[0], node=key[1], first_ns=first_ns, last_ns=first_ns)
            self._nodes[key] = history
        history.last_ns = int(t_ns[-1])
        history.n_messages += len(t_ns)
        before = said[:1] if history.last_byte is None else np.array([history.last_byte], np.uint8)
        chain = np.concatenate((before, said))
        old, new = chain[:-1], chain[1:]
        changed = (old & 0x7F) != (new & 0x7F)
        equal = ((old ^ new) & _TOGGLE == 0) & (old != NmtState.BOOT_UP) & (new != NmtState.BOOT_UP)
        if history.last_byte is None:
            changed[0], equal[0] = True, False
        history.n_equal_toggles += int(np.count_nonzero(equal))
        history.is_guarded = history.is_guarded or bool((said & _TOGGLE).any())
        for at in np.flatnonzero(changed)[: _MOST_EVENTS - len(history.states)].tolist():
            history.states.append((int(t_ns[at]), NmtState(int(said[at]) & 0x7F)))
        booted = np.flatnonzero(said == NmtState.BOOT_UP)[: _MOST_EVENTS - len(history.boot_ups_ns)]
        history.boot_ups_ns += t_ns[booted].tolist()
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
