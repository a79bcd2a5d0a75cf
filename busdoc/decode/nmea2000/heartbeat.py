"""The NMEA 2000 heartbeat: parameter group 126993, single frame, every 60 s unless set otherwise.

Bytes 1 and 2 hold the interval, in milliseconds on real devices; byte 3 a sequence; byte 4 the states of the device's
two CAN controllers (2 bits each) and of the equipment (2 bits). State codes from memory.
"""

from dataclasses import dataclass
from enum import IntEnum

from busdoc.times import MILLISECOND_NS

__all__ = ["ControllerState", "Heartbeat", "read_heartbeat"]


class ControllerState(IntEnum):
    """What a device says of one of its CAN controllers."""

    ACTIVE = 0
    PASSIVE = 1
    BUS_OFF = 2
    NOT_AVAILABLE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Heartbeat:
    """One heartbeat as read."""

    interval_ns: int | None
    """None: not available."""
    sequence: int
    first_controller: ControllerState
    second_controller: ControllerState
    equipment: int
    """0: operational."""


def read_heartbeat(payload: bytes) -> Heartbeat | None:
    """Read one heartbeat; None when the payload is too short.

    >>> beat = read_heartbeat(bytes.fromhex("60EA05CCFFFFFFFF"))
    >>> beat.interval_ns, beat.sequence, beat.first_controller.name, beat.second_controller.name, beat.equipment
    (60000000000, 5, 'ACTIVE', 'NOT_AVAILABLE', 0)
    """
    if len(payload) < 4:
        return None
    interval = int.from_bytes(payload[:2], "little")
    states = payload[3]
    return Heartbeat(
        interval_ns=None if interval >= 0xFE00 else interval * MILLISECOND_NS,
        sequence=payload[2],
        first_controller=ControllerState(states & 3),
        second_controller=ControllerState(states >> 2 & 3),
        equipment=states >> 4 & 3,
    )
