"""The first and the last ISO 11783 heartbeat of a controller as signs that it started, or means to go (ISO 11783-7)."""

from typing import ClassVar

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.heartbeat import FIRST, LAST
from busdoc.decode.j1939.identifier import NULL_ADDRESS, PGN_ISO_HEARTBEAT, parameter_group, source_of
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.decode.protocols.sign_reader import SignFrame

__all__ = ["HeartbeatSigns"]

_STARTS, _GOES = 1, 2


class HeartbeatSigns:
    """Reads the heartbeats whose sequence is no running number."""

    topics: ClassVar[tuple[Topic, ...]] = (Topic.HEARTBEAT,)

    def tells(self, frames: FrameBlock, topic: UInt8Array) -> UInt8Array:
        """Find the first and the last heartbeats; those of NMEA 2000 tell neither."""
        sequence = frames.data[:, 0]
        is_iso = (parameter_group(frames.id) == PGN_ISO_HEARTBEAT) & (frames.length >= 1)
        said = np.zeros(len(frames), np.uint8)
        said[is_iso & (sequence == FIRST)] = _STARTS
        said[is_iso & (sequence == LAST)] = _GOES
        return said

    def read(self, frame: SignFrame) -> Sign | None:
        """Give the sign of a first or last heartbeat."""
        address = source_of(frame.id)
        if address >= NULL_ADDRESS:
            return None
        kind = SignKind.HEARTBEAT_FIRST if frame.payload & 0xFF == FIRST else SignKind.HEARTBEAT_LAST
        return Sign(t_ns=frame.t_ns, channel=frame.channel, kind=kind, address=address)
