"""CANopen boot-ups as signs of a start (CiA 301); one after a reset command is marked as asked."""

from typing import ClassVar

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.canopen.error_control import NmtCommand, NmtState
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.decode.protocols.sign_reader import ASKS, SignFrame
from busdoc.times import SECOND_NS

__all__ = ["BootUpSigns"]

_RESET_WITHIN_NS = 10 * SECOND_NS
"""Common practice: a CANopen node boots within seconds after the reset command."""
_NMT_ID = 0x000
_ERROR_CONTROL_ID = 0x700
_RESETS = (int(NmtCommand.RESET_NODE), int(NmtCommand.RESET_COMMUNICATION))


class BootUpSigns:
    """Reads boot-ups, and the network commands that reset nodes."""

    topics: ClassVar[tuple[Topic, ...]] = (Topic.NMT, Topic.ERROR_CONTROL)

    def __init__(self) -> None:
        self._reset_ns: dict[tuple[int, int], int] = {}  # (channel, node), node 0 for all
        self._booted_ns: dict[tuple[int, int], int] = {}  # (channel, node)

    def tells(self, frames: FrameBlock, topic: UInt8Array) -> UInt8Array:
        """Find boot-ups and resets."""
        first = frames.data[:, 0]
        resets = (topic == Topic.NMT) & (frames.length == 2) & np.isin(first, _RESETS)
        boots = (topic == Topic.ERROR_CONTROL) & (frames.length == 1) & (first == NmtState.BOOT_UP)
        return np.where(resets, np.uint8(ASKS), boots).astype(np.uint8)

    def read(self, frame: SignFrame) -> Sign | None:
        """Give a boot-up's sign; of a reset, only remember for whom it was."""
        t_ns, channel = frame.t_ns, frame.channel
        if frame.id == _NMT_ID:
            self._reset_ns[channel, (frame.payload >> 8) & 0x7F] = t_ns
            return None
        node = frame.id - _ERROR_CONTROL_ID
        booted_ns = self._booted_ns.get((channel, node))
        resets = [self._reset_ns[channel, to] for to in (node, 0) if (channel, to) in self._reset_ns]
        asked = any(
            t_ns - reset_ns <= _RESET_WITHIN_NS and (booted_ns is None or booted_ns < reset_ns) for reset_ns in resets
        )
        self._booted_ns[channel, node] = t_ns  # one reset explains one boot-up
        return Sign(t_ns=t_ns, channel=channel, kind=SignKind.BOOT_UP, node_id=node, asked=asked)
