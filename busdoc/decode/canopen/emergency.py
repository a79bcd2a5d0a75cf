"""CANopen emergency messages (CiA 301): an error code, the error register, five bytes of the maker's.

Sent once for each error, not repeated; a code of the form 00xx says that errors are gone, the register which remain.
"""

from dataclasses import dataclass
from enum import IntFlag

__all__ = ["EmergencyMessage", "ErrorRegister", "emergency_text", "read_emergency", "register_bit"]


class ErrorRegister(IntFlag):
    """Object 0x1001."""

    GENERIC = 0x01
    CURRENT = 0x02
    VOLTAGE = 0x04
    TEMPERATURE = 0x08
    COMMUNICATION = 0x10
    DEVICE_PROFILE = 0x20
    MAKER = 0x80


@dataclass(frozen=True, slots=True, kw_only=True)
class EmergencyMessage:
    """One message as read."""

    code: int
    register: int
    maker: bytes
    """Five bytes whose meaning the maker of the device knows."""

    @property
    def is_reset(self) -> bool:
        """No new error: some or all are gone."""
        return self.code >> 8 == 0


def read_emergency(payload: bytes) -> EmergencyMessage | None:
    """Read one message; None when it has not the eight bytes of one."""
    if len(payload) != 8:
        return None
    return EmergencyMessage(code=int.from_bytes(payload[:2], "little"), register=payload[2], maker=payload[3:])


_TEXTS = {
    # CiA 301, table of emergency error codes; the input and internal voltages after CiA 401
    0x3110: "supply voltage too high",
    0x3120: "supply voltage too low",
    0x3210: "internal voltage too high",
    0x3220: "internal voltage too low",
    0x8110: "messages lost: too many came",
    0x8120: "error passive: it met many bus errors",
    0x8130: "a heartbeat or guarding that it watches stopped",
    0x8140: "back from bus-off",
    0x8150: "another node uses its identifier",
    0x8210: "a process message was too short",
    0x8220: "a process message was too long",
    0x8250: "a process message that it waits for stopped",
}
_CLASSES = {
    0x00: "no error",
    0x10: "generic error",
    0x20: "current",
    0x21: "current, input side",
    0x22: "current inside the device",
    0x23: "current, output side",
    0x30: "voltage",
    0x31: "mains or supply voltage",
    0x32: "voltage inside the device",
    0x33: "output voltage",
    0x40: "temperature",
    0x41: "ambient temperature",
    0x42: "device temperature",
    0x50: "device hardware",
    0x60: "device software",
    0x61: "internal software",
    0x62: "user software",
    0x63: "data set",
    0x70: "additional modules",
    0x80: "monitoring",
    0x81: "communication",
    0x82: "protocol",
    0x90: "external error",
    0xF0: "additional functions",
    0xFF: "device specific",
}


def emergency_text(code: int) -> str:
    """Say what an emergency code means, as closely as the published list goes.

    >>> emergency_text(0x8130), emergency_text(0x5123)
    ('a heartbeat or guarding that it watches stopped', 'device hardware')
    """
    known = _TEXTS.get(code)
    if known is not None:
        return known
    top = code >> 8
    return _CLASSES.get(top) or _CLASSES.get(top & 0xF0) or "not in the published list"


def register_bit(code: int) -> int:
    """Give the bit of the error register that stands for a code; the generic bit where no other does."""
    bit = {
        0x2: ErrorRegister.CURRENT,
        0x3: ErrorRegister.VOLTAGE,
        0x4: ErrorRegister.TEMPERATURE,
        0x8: ErrorRegister.COMMUNICATION,
    }.get(code >> 12, ErrorRegister.GENERIC)
    return int(bit)
