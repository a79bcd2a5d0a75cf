"""Sieves the few frames that open protocols use for identity, health and transport out of all traffic.

One look into a table per frame tells its topic. A caller with several watches sieves once and feeds them all with
`protocol_frames(block)`: each watch takes a whole block as well and finds the same in it.
"""

from enum import IntEnum

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.j1939.identifier import (
    N_DESTINATIONS,
    PGN_ADDRESS_CLAIMED,
    PGN_DM1,
    PGN_DM2,
    PGN_DM13,
    PGN_ENGINE,
    PGN_ETP_CM,
    PGN_ETP_DT,
    PGN_ISO_HEARTBEAT,
    PGN_NMEA_ALERT,
    PGN_NMEA_ALERT_TEXT,
    PGN_NMEA_ENGINE,
    PGN_NMEA_HEARTBEAT,
    PGN_REQUEST,
    PGN_TP_CM,
    PGN_TP_DT,
    is_addressed,
)

__all__ = ["Topic", "protocol_frames", "sieved", "topics"]


class Topic(IntEnum):
    """What a frame is about, by its identifier alone."""

    CLAIM = 1
    """J1939 address claimed or cannot claim."""
    REQUEST = 2
    """J1939 request for any parameter group."""
    TRANSPORT = 3
    """J1939 and ISO 11783 transport: management and data."""
    TROUBLE = 4
    """DM1 and DM2 that fit into one frame, and DM13 (stop and start broadcast)."""
    HEARTBEAT = 5
    """ISO 11783 and NMEA 2000 heartbeats."""
    NMT = 6
    """CANopen network management command."""
    EMERGENCY = 7
    """CANopen emergency, or anything else that another network sends on these identifiers."""
    ERROR_CONTROL = 8
    """CANopen heartbeat, boot-up, node guarding (its request is a remote frame)."""
    ENGINE = 9
    """Engine speed, of J1939 or NMEA 2000."""
    ALERT = 10
    """NMEA 2000 alerts and their texts, frame by frame."""


_GROUPS_OF = {
    Topic.CLAIM: (PGN_ADDRESS_CLAIMED,),
    Topic.REQUEST: (PGN_REQUEST,),
    Topic.TRANSPORT: (PGN_TP_CM, PGN_TP_DT, PGN_ETP_CM, PGN_ETP_DT),
    Topic.TROUBLE: (PGN_DM1, PGN_DM2, PGN_DM13),
    Topic.HEARTBEAT: (PGN_ISO_HEARTBEAT, PGN_NMEA_HEARTBEAT),
    Topic.ENGINE: (PGN_ENGINE, PGN_NMEA_ENGINE),
    Topic.ALERT: (PGN_NMEA_ALERT, PGN_NMEA_ALERT_TEXT),
}
"""The parameter groups of 29-bit frames."""
_BASE_IDS_OF = {
    Topic.NMT: range(0x001),
    Topic.EMERGENCY: range(0x081, 0x100),
    Topic.ERROR_CONTROL: range(0x701, 0x780),
}
"""The identifiers of 11-bit frames."""

_GROUPS = 1 << 18
_BASE_IDS = 1 << 11
_NOTHING = _GROUPS + _BASE_IDS


def _topic_table() -> UInt8Array:
    """Index: bits 25 to 8 of a 29-bit identifier, then the 11-bit identifiers, then one entry for everything else."""
    table = np.zeros(_NOTHING + 1, np.uint8)
    for topic, groups in _GROUPS_OF.items():
        for group in groups:
            table[group : group + (N_DESTINATIONS if is_addressed(group) else 1)] = topic
    for topic, ids in _BASE_IDS_OF.items():
        table[_GROUPS + ids.start : _GROUPS + ids.stop] = topic
    return table


_TOPIC_OF = _topic_table()
_PLAIN = np.uint16(FrameFlag.EXTENDED)
_KIND = np.uint16(FrameFlag.EXTENDED | FrameFlag.ERROR | FrameFlag.FD)
_ODD = np.uint16(FrameFlag.ERROR | FrameFlag.FD)


def topics(block: FrameBlock) -> UInt8Array:
    """Tell each frame's topic.

    Returns
    -------
    (n,) uint8: one `Topic` value or 0. Error frames and CAN FD frames have none.
    """
    at = (block.id >> np.uint32(8)) & np.uint32(_GROUPS - 1)
    base = np.flatnonzero((block.flags & _KIND) != _PLAIN)
    if len(base):
        is_odd = ((block.flags[base] & _ODD) != 0) | (block.id[base] >= _BASE_IDS)
        at[base] = np.where(is_odd, np.uint32(_NOTHING), np.uint32(_GROUPS) + block.id[base])
    found: UInt8Array = _TOPIC_OF.take(at)
    return found


def protocol_frames(block: FrameBlock) -> FrameBlock:
    """Give the frames that have a topic, as a block of their own."""
    return sieved(block)[0]


def sieved(block: FrameBlock) -> tuple[FrameBlock, UInt8Array]:
    """Give the frames that have a topic, as a block of their own, and the topic of each."""
    topic = topics(block)
    rows = np.flatnonzero(topic).astype(np.int64)
    return block.take(rows), topic[rows]
