"""The NMEA 2000 heartbeat: parameter group 126993, single frame, every 60 s unless set otherwise.

Bytes 1 and 2 hold the interval, in milliseconds on real devices; byte 3 a sequence; byte 4 the states of the device's
two CAN controllers (2 bits each) and of the equipment (2 bits). State codes from memory.
"""

from enum import IntEnum

__all__ = ["ControllerState"]


class ControllerState(IntEnum):
    """What a device says of one of its CAN controllers."""

    ACTIVE = 0
    PASSIVE = 1
    BUS_OFF = 2
    NOT_AVAILABLE = 3
