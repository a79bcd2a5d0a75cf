"""Sieves the few frames that open protocols use for identity, health and transport out of all traffic.

One look into a table per frame tells its topic. A caller with several watches sieves once and feeds them all with
`protocol_frames(block)`: each watch takes a whole block as well and finds the same in it.
"""

from enum import IntFlag

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.j1939.identifier import (
    PGN_ADDRESS_CLAIMED,
    PGN_DM1,
    PGN_DM2,
    PGN_DM13,
    PGN_ETP_CM,
    PGN_ETP_DT,
    PGN_REQUEST,
    PGN_TP_CM,
    PGN_TP_DT,
)

__all__ = ["Topic", "protocol_frames", "sieved", "topics"]


class Topic(IntFlag):
    """What a frame is about, by its identifier alone."""

    CLAIM = 0x01
    """J1939 address claimed or cannot claim."""
    REQUEST = 0x02
    """J1939 request for any parameter group."""
    TRANSPORT = 0x04
    """J1939 and ISO 11783 transport: management and data."""
    TROUBLE = 0x08
    """DM1 and DM2 that fit into one frame, and DM13 (stop and start broadcast)."""
    HEARTBEAT = 0x10
    """ISO 11783 and NMEA 2000 heartbeats."""
    NMT = 0x20
    """CANopen network management command."""
    EMERGENCY = 0x40
    """CANopen emergency, or anything else that another network sends on these identifiers."""
    ERROR_CONTROL = 0x80
    """CANopen heartbeat, boot-up, node guarding (its request is a remote frame)."""


_GROUPS = 1 << 18
_BASE_IDS = 1 << 11
_NOTHING = _GROUPS + _BASE_IDS
_PGN_ISO_HEARTBEAT = 61668
_PGN_NMEA_HEARTBEAT = 126993


def _topic_table() -> UInt8Array:
    """Index: bits 25 to 8 of a 29-bit identifier, then the 11-bit identifiers, then one entry for everything else."""
    table = np.zeros(_NOTHING + 1, np.uint8)
    for pgn, topic in (
        (PGN_ADDRESS_CLAIMED, Topic.CLAIM),
        (PGN_REQUEST, Topic.REQUEST),
        (PGN_TP_CM, Topic.TRANSPORT),
        (PGN_TP_DT, Topic.TRANSPORT),
        (PGN_ETP_CM, Topic.TRANSPORT),
        (PGN_ETP_DT, Topic.TRANSPORT),
        (PGN_DM13, Topic.TROUBLE),
    ):
        table[pgn : pgn + 256] = topic  # to any destination
    table[[PGN_DM1, PGN_DM2]] = Topic.TROUBLE
    table[[_PGN_ISO_HEARTBEAT, _PGN_NMEA_HEARTBEAT]] = Topic.HEARTBEAT
    table[_GROUPS] = Topic.NMT
    table[_GROUPS + 0x081 : _GROUPS + 0x100] = Topic.EMERGENCY
    table[_GROUPS + 0x701 : _GROUPS + 0x780] = Topic.ERROR_CONTROL
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
