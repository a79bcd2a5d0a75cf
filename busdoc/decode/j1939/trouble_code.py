"""Diagnostic messages DM1 and DM2: lamps and trouble codes (SAE J1939-73 5.7.1, 5.7.2).

Byte 1 holds four lamps of two bits, byte 2 how they flash, then four bytes for each code: suspect parameter number
(SPN, 19 bits), failure mode identifier (FMI, 5), conversion method (1), occurrence count (7).
"""

from dataclasses import dataclass
from enum import IntEnum

__all__ = ["Conversion", "Lamp", "LampState", "TroubleCode", "code_bytes", "lamps", "read_code", "says_stop"]

NO_COUNT = 127
_ALL_ONES_SPN = 524287
_ALL_ONES_FMI = 31


class Lamp(IntEnum):
    """The four lamps; the value is the bit position in bytes 1 and 2."""

    MALFUNCTION = 6
    RED_STOP = 4
    AMBER_WARNING = 2
    PROTECT = 0


class LampState(IntEnum):
    """Two bits of byte 1."""

    OFF = 0
    ON = 1
    ERROR = 2
    NOT_AVAILABLE = 3


class Conversion(IntEnum):
    """How the SPN lies in the bytes.

    Versions 1 to 3 carry conversion method 1 and cannot be told apart in a frame: which one a controller uses has to
    be known. Version 4 carries conversion method 0.
    """

    VERSION_1 = 1
    VERSION_2 = 2
    VERSION_3 = 3
    VERSION_4 = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleCode:
    """One code as read."""

    spn: int
    fmi: int
    count: int | None
    """The controller's own occurrence count; None: not available (127)."""
    old_conversion: bool
    """Conversion method 1: the SPN depends on which version was assumed."""


def says_stop(payload: bytes) -> bool:
    """Tell whether a DM13 tells a network to stop broadcasting.

    Its first byte holds four networks of two bits: 00 stop, 01 start, 11 leave as it is (SAE J1939-73 5.7.13, from
    memory).
    """
    return bool(payload) and any(payload[0] >> network & 3 == 0 for network in (0, 2, 4, 6))


def lamps(payload: bytes) -> dict[Lamp, LampState]:
    """Read the lamps of byte 1; not available when there is none."""
    first = payload[0] if payload else 0xFF
    return {lamp: LampState(first >> lamp & 3) for lamp in Lamp}


def code_bytes(payload: bytes) -> tuple[bytes, ...] | None:
    """Cut a DM1 or DM2 payload into its codes of four bytes each, without those that say 'no code'.

    'No active fault' is met as zeros in all fields, as ones in all fields, and with lamps only. A rest of fewer than
    four bytes (the filling of a single frame) is dropped.

    Returns
    -------
    None when the payload is no diagnostic message: shorter than the lamps, or cut within its first code.
    """
    if len(payload) < 2 or 2 < len(payload) < 6:
        return None
    cut = (payload[at : at + 4] for at in range(2, len(payload) - 3, 4))
    return tuple(code for code in cut if not _says_none(code))


def read_code(code: bytes, conversion: Conversion = Conversion.VERSION_3) -> TroubleCode:
    """Read one code of four bytes.

    Parameters
    ----------
    conversion : the version that the controller uses where it sends conversion method 1; with method 0 it is version 4

    >>> read_code(bytes.fromhex("B804030A"))
    TroubleCode(spn=1208, fmi=3, count=10, old_conversion=False)
    >>> read_code(bytes.fromhex("0097038A"), Conversion.VERSION_1).spn
    1208
    """
    first, second, third, fourth = code
    old = fourth & 0x80 != 0
    high = third >> 5
    if old and conversion is Conversion.VERSION_1:
        spn = first << 11 | second << 3 | high
    elif old and conversion is Conversion.VERSION_2:
        spn = second << 11 | first << 3 | high
    else:
        spn = high << 16 | second << 8 | first
    count = fourth & 0x7F
    return TroubleCode(spn=spn, fmi=third & 0x1F, count=None if count == NO_COUNT else count, old_conversion=old)


def _says_none(code: bytes) -> bool:
    """SPN 0 with FMI 0, or all ones in both: the forms of 'no code', whatever count and method say."""
    return code[:3] in (b"\x00\x00\x00", b"\xff\xff\xff")
