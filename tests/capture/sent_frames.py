"""Frames as a test sends them: as messages of python-can, or as bytes on a serial line."""

import can

from busdoc.capture.frames import FrameBlock


def message(block: FrameBlock, row: int, stamp_s: float) -> can.Message:
    """Give a row of a block as a message of python-can, with a stamp in Unix seconds."""
    return can.Message(
        timestamp=stamp_s,
        arbitration_id=int(block.id[row]),
        is_extended_id=bool(block.flags[row] & 1),
        is_error_frame=bool(block.flags[row] & 2),
        is_remote_frame=bool(block.flags[row] & 4),
        data=block.payload(row),
    )


def serial_frame(message: can.Message) -> bytes:
    """Write a frame as python-can's documentation of its serial interface lays it out."""
    id_ = message.arbitration_id | (message.is_extended_id << 31) | (message.is_error_frame << 29)
    id_ |= message.is_remote_frame << 30
    stamp_ms = int(message.timestamp * 1000)
    head = b"\xaa" + stamp_ms.to_bytes(4, "little") + bytes([message.dlc]) + id_.to_bytes(4, "little")
    return head + bytes(message.data) + b"\xbb"
