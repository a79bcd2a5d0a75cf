"""The parameter group in a 29-bit identifier, as far as finding a message in a database needs it (SAE J1939-21)."""

__all__ = ["DUMMY_SOURCES", "group_of", "is_nmea2000", "is_proprietary", "looks_like_j1939", "source_of"]

DUMMY_SOURCES = frozenset((0xFE, 0xFF))
"""Source addresses that no controller has (J1939-81: null and global): a database writes them for 'any'."""

_FIRST_PDU2 = 0xF0


def source_of(frame_id: int) -> int:
    """Give the source address."""
    return frame_id & 0xFF


def group_of(frame_id: int) -> int:
    """Give the parameter group number: without priority, source, and the destination of a PDU1 format.

    >>> hex(group_of(0x0CF00400)), hex(group_of(0x18EAFFFE))
    ('0xf004', '0xea00')
    """
    group = frame_id >> 8 & 0x3FFFF
    return group if group >> 8 & 0xFF >= _FIRST_PDU2 else group & 0x3FF00


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
    broadcast = sum(1 for frame_id in frame_ids if frame_id >> 16 & 0xFF >= _FIRST_PDU2)
    return bool(frame_ids) and 2 * broadcast >= len(frame_ids) and not any(frame_id >> 25 & 1 for frame_id in frame_ids)
