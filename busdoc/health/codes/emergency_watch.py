"""Follows the emergency messages of CANopen nodes: raised once, gone with an error reset or with the node's restart.

Other networks use the same identifiers for something else, so a node's emergencies count only where that node was seen
to speak CANopen's error control (heartbeat, boot-up or guarding) somewhere in the capture.
"""

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, distinct
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.canopen.emergency import EmergencyMessage, ErrorRegister, read_emergency, register_bit
from busdoc.decode.canopen.error_control import NmtState
from busdoc.decode.j1939.identifier import sender_numbers
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.health.codes.code import CodeTrack

__all__ = ["EmergencyWatch"]

_HELD = 1000
_MOST_CODES_OF_ONE = 500
_MOST_OF_ONE_NODE = 50_000


class _Node:
    __slots__ = ("codes", "last_ns", "maker", "n_messages")

    def __init__(self) -> None:
        self.codes: dict[int, CodeTrack] = {}
        self.maker: dict[int, bytes] = {}
        self.last_ns: int | None = None
        self.n_messages = 0


class EmergencyWatch:
    """Takes blocks in order; where they are cut changes nothing.

    Notes
    -----
    Until a channel shows itself as CANopen its last 1000 frames that may be emergencies are held. 500 codes and 50,000
    messages of one node are followed; what goes beyond is counted in `n_dropped`.
    """

    def __init__(self) -> None:
        self._nodes: dict[tuple[int, int], _Node] = {}
        self._held: dict[int, FrameBlock] = {}
        self._shown: set[tuple[int, int]] = set()
        self._is_canopen: set[int] = set()
        self.n_dropped = 0

    @property
    def tracks(self) -> dict[tuple[int, int], dict[int, CodeTrack]]:
        """(channel, node) to emergency code to its course, for the nodes that speak CANopen."""
        return {key: node.codes for key, node in sorted(self._nodes.items()) if key in self._shown}

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        is_remote = (block.flags & np.uint16(FrameFlag.REMOTE)) != 0
        state = block.data[:, 0] & np.uint8(0x7F)
        control = np.flatnonzero((topic == Topic.ERROR_CONTROL) & ~is_remote & (block.length == 1))
        control = control[np.isin(state[control], [int(known) for known in NmtState])]
        emergency = np.flatnonzero((topic == Topic.EMERGENCY) & ~is_remote & (block.length == 8))
        if not len(control) and not len(emergency):
            return
        speaker = sender_numbers(block.channel[control], block.id[control] & np.uint32(0x7F))
        for code in distinct(speaker).tolist():
            self._shown.add((code >> 8, code & 0xFF))
        boot_up = control[block.data[control, 0] == NmtState.BOOT_UP]
        telling = np.sort(np.concatenate((emergency, boot_up))).astype(np.int64)
        for channel in distinct(block.channel[np.concatenate((control, emergency))]).tolist():
            own = telling[block.channel[telling] == channel]
            if channel not in self._is_canopen:
                own = self._hold(block, channel, own, control[block.channel[control] == channel])
            self._take(block, own)

    def _hold(self, block: FrameBlock, channel: int, telling: Int64Array, control: Int64Array) -> Int64Array:
        """Keep the frames before the channel's first error control; give the rows to take in now."""
        first = int(control[0]) if len(control) else len(block)
        before = telling[telling < first][-_HELD:]
        held = FrameBlock.concat([self._held.pop(channel, FrameBlock.empty()), block.take(before)])
        held = held.slice(max(0, len(held) - _HELD), len(held))
        if not len(control):
            self._held[channel] = held
            return np.empty(0, np.int64)
        self._is_canopen.add(channel)
        self._take(held, np.arange(len(held), dtype=np.int64))
        return telling[telling >= first]

    def _take(self, block: FrameBlock, rows: Int64Array) -> None:
        t_ns, ids = block.t_ns[rows].tolist(), block.id[rows].tolist()
        channels, content = block.channel[rows].tolist(), block.data[rows].tobytes()
        for n, (t, channel, id_) in enumerate(zip(t_ns, channels, ids, strict=True)):
            key = (channel, id_ & 0x7F)
            if id_ >= 0x700:
                node = self._nodes.get(key)
                if node is not None:
                    _clear(node, t, 0)
                continue
            message = read_emergency(content[8 * n : 8 * n + 8])
            if message is not None:
                self._say(self._nodes.setdefault(key, _Node()), t, message)

    def _say(self, node: _Node, t_ns: int, message: EmergencyMessage) -> None:
        node.n_messages += 1
        if node.n_messages > _MOST_OF_ONE_NODE:
            self.n_dropped += 1
            return
        if message.is_reset:
            _clear(node, t_ns, message.register)
        else:
            track = node.codes.get(message.code)
            if track is None and len(node.codes) >= _MOST_CODES_OF_ONE:
                self.n_dropped += 1
                return
            if track is None:
                track = node.codes[message.code] = CodeTrack(t_ns)
            if track.is_open and node.maker.get(message.code) != message.maker:
                track.clear(t_ns)  # sent once for each error: other details are another error of the same kind
            track.seen(t_ns, None, t_ns)
            node.maker[message.code] = message.maker
        node.last_ns = t_ns


def _clear(node: _Node, t_ns: int, register: int) -> None:
    """Close what the error register does not hold any more; all of it when the register is empty."""
    for code, track in node.codes.items():
        bit = register_bit(code)
        remains = register != 0 and (bit == ErrorRegister.GENERIC or register & bit)
        if track.is_open and not remains:
            track.clear(t_ns)
