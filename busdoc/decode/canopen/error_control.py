"""CANopen error control on 0x700 + node: heartbeat, boot-up, and node guarding with its toggle bit (CiA 301)."""

from enum import IntEnum

__all__ = ["NmtCommand", "NmtState", "read_state"]


class NmtCommand(IntEnum):
    """First byte on identifier 0x000; the second byte is the node, 0 for all."""

    START = 1
    STOP = 2
    PRE_OPERATIONAL = 128
    RESET_NODE = 129
    RESET_COMMUNICATION = 130


class NmtState(IntEnum):
    """Low seven bits of the one byte on 0x700 + node."""

    BOOT_UP = 0
    STOPPED = 4
    OPERATIONAL = 5
    PRE_OPERATIONAL = 127


_STATES = frozenset(int(state) for state in NmtState)


def read_state(payload: bytes) -> tuple[NmtState, int] | None:
    """Read state and toggle bit; None when this is no error control message.

    The toggle bit is always 0 in a heartbeat and alternates in the answers to node guarding.
    """
    if len(payload) != 1 or payload[0] & 0x7F not in _STATES:
        return None
    return NmtState(payload[0] & 0x7F), payload[0] >> 7
