"""The fields of a 29-bit J1939 identifier (SAE J1939-21 5.2).

From bit 28 down: priority 3 bits, extended data page 1, data page 1, PDU format 8, PDU specific 8, source address 8.
Below format 240 (PDU1) the PDU specific is the destination and no part of the parameter group number; from 240 on
(PDU2) it is the group extension and the frame goes to all.
"""

from typing import Final

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, UInt32Array

__all__ = [
    "DUMMY_SOURCES",
    "GLOBAL_ADDRESS",
    "NETWORK_GROUPS",
    "NULL_ADDRESS",
    "N_DESTINATIONS",
    "PGN_ACKNOWLEDGEMENT",
    "PGN_ADDRESS_CLAIMED",
    "PGN_DM1",
    "PGN_DM2",
    "PGN_DM13",
    "PGN_ENGINE",
    "PGN_ETP_CM",
    "PGN_ETP_DT",
    "PGN_ISO_HEARTBEAT",
    "PGN_NMEA_ALERT",
    "PGN_NMEA_ALERT_TEXT",
    "PGN_NMEA_ENGINE",
    "PGN_NMEA_HEARTBEAT",
    "PGN_REQUEST",
    "PGN_TP_CM",
    "PGN_TP_DT",
    "group_and_destination",
    "group_of",
    "is_addressed",
    "is_nmea2000",
    "is_proprietary",
    "looks_like_j1939",
    "parameter_group",
    "sender_numbers",
    "source_of",
]

NULL_ADDRESS: Final = 254
"""The sender has no address: it asks before it claims, or it could not claim one."""
GLOBAL_ADDRESS: Final = 255
"""To all; never a sender."""

PGN_REQUEST: Final = 59904
PGN_ACKNOWLEDGEMENT: Final = 59392
PGN_ADDRESS_CLAIMED: Final = 60928
PGN_TP_CM: Final = 60416
PGN_TP_DT: Final = 60160
PGN_ETP_CM: Final = 51200
"""Extended transport, connection management (ISO 11783-3)."""
PGN_ETP_DT: Final = 50944
PGN_DM1: Final = 65226
PGN_DM2: Final = 65227
PGN_DM13: Final = 57088
"""Stop and start broadcast: it can silence a network on purpose."""
PGN_ISO_HEARTBEAT: Final = 61668
"""ISO 11783-7."""
PGN_NMEA_HEARTBEAT: Final = 126993
PGN_NMEA_ALERT: Final = 126983
PGN_NMEA_ALERT_TEXT: Final = 126985
PGN_ENGINE: Final = 61444
"""Electronic engine controller 1, with the engine's speed (SAE J1939-71)."""
PGN_NMEA_ENGINE: Final = 127488
"""Engine parameters, rapid update, with the engine's speed (NMEA 2000)."""
NETWORK_GROUPS: Final = frozenset((PGN_REQUEST, PGN_ADDRESS_CLAIMED, PGN_TP_CM, PGN_TP_DT, PGN_ETP_CM, PGN_ETP_DT))
"""Requests, address claims, transport sessions (SAE J1939-21 5.4, 5.10; J1939-81 4.2; ISO 11783-3): sent as they are
needed, and no state is in their bits."""

N_DESTINATIONS: Final = 256
"""The numbers that a PDU1 group takes in the identifier, one for each destination."""

_FIRST_PDU2_FORMAT = 240


def is_addressed(group: int) -> bool:
    """Tell whether a parameter group (or the identifier's 18 bits of one) goes to one destination: PDU1.

    >>> is_addressed(PGN_REQUEST), is_addressed(PGN_DM1)
    (True, False)
    """
    return group >> 8 & 0xFF < _FIRST_PDU2_FORMAT


def group_and_destination(id_: int) -> tuple[int, int]:
    """Give the parameter group number (18 bits, both page bits in it) and the destination of one identifier.

    >>> group_and_destination(0x1CEB2A17)
    (60160, 42)
    """
    group = id_ >> 8 & 0x3FFFF
    return (group & 0x3FF00, group & 0xFF) if is_addressed(group) else (group, GLOBAL_ADDRESS)


def parameter_group(ids: UInt32Array) -> UInt32Array:
    """Give the parameter group number of each identifier, (n,) uint32, as `group_and_destination` does."""
    group = (ids >> np.uint32(8)) & np.uint32(0x3FFFF)
    is_pdu1 = (group & np.uint32(0xFF00)) < np.uint32(_FIRST_PDU2_FORMAT << 8)
    return np.where(is_pdu1, group & np.uint32(0x3FF00), group).astype(np.uint32)


DUMMY_SOURCES = frozenset((0xFE, 0xFF))
"""Source addresses that no controller has (J1939-81: null and global): a database writes them for 'any'."""


def source_of(frame_id: int) -> int:
    """Give the source address."""
    return frame_id & 0xFF


def sender_numbers(channels: UInt8Array, addresses: UInt32Array) -> Int64Array:
    """Give who sent each frame as one number, ``channel << 8 | address``, (n,) int64, to sort and compare senders by.

    Of `addresses`, (n,), the lowest eight bits count: whole identifiers will do.

    >>> sender_numbers(np.array([0, 1], np.uint8), np.array([0x18FECA31, 0x31], np.uint32)).tolist()
    [49, 305]
    """
    return channels.astype(np.int64) << 8 | (addresses & np.uint32(0xFF)).astype(np.int64)


def group_of(frame_id: int) -> int:
    """Give the parameter group number: without priority, source, and the destination of a PDU1 format.

    >>> hex(group_of(0x0CF00400)), hex(group_of(0x18EAFFFE))
    ('0xf004', '0xea00')
    """
    return group_and_destination(frame_id)[0]


def is_proprietary(group: int) -> bool:
    """Tell whether each maker gives the group a meaning of its own (SAE J1939-21: 0xEF00, 0xFF00 … 0xFFFF)."""
    return group >> 8 & 0xFF in (0xEF, 0xFF)


def is_nmea2000(group: int) -> bool:
    """Tell whether the group lies where NMEA 2000 has its own (data page 1, 0x1F000 … 0x1FFFF; common practice)."""
    return 0x1F000 <= group <= 0x1FFFF


def looks_like_j1939(frame_ids: list[int]) -> bool:
    """Judge a database that does not say so by its 29-bit identifiers.

    At least half of them are broadcast groups, of which a sixteenth would be by chance, and none sets the extended data
    page, which J1939 leaves to others.
    """
    broadcast = sum(1 for frame_id in frame_ids if not is_addressed(frame_id >> 8))
    return bool(frame_ids) and 2 * broadcast >= len(frame_ids) and not any(frame_id >> 25 & 1 for frame_id in frame_ids)
