"""Received messages become columns: the one place where python-can's objects are looked into."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.error_frame import BUS_OFF, CONTROLLER, RESTARTED, RX_OVERFLOW, bus_error, linux_class
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, NO_LONG, REMOTE, TRANSMITTED, FrameBlock, LongPayloads

if TYPE_CHECKING:
    import can

__all__ = ["block_of", "off_bus", "overflows"]

_LINUX_ERRORS = frozenset({"gs_usb", "serial", "socketcan", "udp_multicast", "virtual"})
"""Interfaces that hand over error frames as the Linux header can/error.h has them; others have codes of their own."""


_SHORT = 8


def block_of(messages: "Sequence[can.Message]", t_ns: Int64Array, channel: int, interface: str) -> FrameBlock:
    """Put messages of one bus into columns.

    Parameters
    ----------
    messages : n of them, in the order received
    t_ns : (n,) int64, ns, their times, non-decreasing
    channel : the bus's number
    interface : python-can's name of its kind, which decides how an error frame is read
    """
    n = len(messages)
    flags = [_flags(m) for m in messages]
    ids = [m.arbitration_id for m in messages]
    payloads = [b"" if m.is_remote_frame else bytes(m.data) for m in messages]
    lengths = [
        min(m.dlc, _SHORT) if m.is_remote_frame else len(data) for m, data in zip(messages, payloads, strict=True)
    ]
    for row in [row for row, flag in enumerate(flags) if flag & ERROR]:
        error = linux_class(ids[row], payloads[row]) if interface in _LINUX_ERRORS else bus_error()
        ids[row], payloads[row] = error
        flags[row], lengths[row] = ERROR, _SHORT
    joined = b"".join([data[:_SHORT].ljust(_SHORT, b"\0") for data in payloads])
    return FrameBlock(
        t_ns=t_ns,
        channel=np.full(n, channel, np.uint8),
        id=np.array(ids, np.uint32),
        flags=np.array(flags, np.uint16),
        length=np.array(lengths, np.uint8),
        data=np.frombuffer(joined, np.uint8).reshape(n, _SHORT),
        long=_long_payloads(payloads),
    )


def overflows(block: FrameBlock) -> Int64Array:
    """Give the rows of error frames by which an adapter says that frames were lost in it (Linux header can/error.h)."""
    is_state = (block.flags & ERROR != 0) & (block.id & CONTROLLER != 0)
    return np.flatnonzero(is_state & (block.data[:, 1] & RX_OVERFLOW != 0)).astype(np.int64, copy=False)


def off_bus(block: FrameBlock, *, was_off: bool) -> list[tuple[int, bool]]:
    """Give the rows from which the adapter is off the bus, True, and hears again, False; one for each change.

    The first row counts as a change where the adapter hears. Off the bus it hears no frame: any frame, or its own word
    that it was restarted, tells that it is back (Linux header can/error.h).

    Parameters
    ----------
    block : one frame or more
    was_off : how it stood before them
    """
    is_error = block.flags & ERROR != 0
    if not is_error.any():
        return [(0, False)]
    goes_off = is_error & (block.id & BUS_OFF != 0)
    hears = ~is_error | (block.id & RESTARTED != 0)
    if not was_off and not goes_off[0]:
        hears[0] = True
    rows = np.flatnonzero(goes_off | hears)
    state = goes_off[rows]
    changes = np.ones(len(rows), np.bool_)
    changes[1:] = state[1:] != state[:-1]
    return [(int(row), bool(is_off)) for row, is_off in zip(rows[changes], state[changes], strict=True)]


def _flags(message: "can.Message") -> int:
    flags = EXTENDED if message.is_extended_id else 0
    if message.is_error_frame:
        flags |= ERROR
    if message.is_remote_frame:
        flags |= REMOTE
    if message.is_fd:
        flags |= FD | (BRS if message.bitrate_switch else 0) | (ESI if message.error_state_indicator else 0)
    return flags if message.is_rx else flags | TRANSMITTED


def _long_payloads(payloads: Sequence[bytes]) -> LongPayloads:
    long = [(row, data) for row, data in enumerate(payloads) if len(data) > _SHORT]
    if not long:
        return NO_LONG
    n_bytes = np.array([len(data) for _, data in long], np.int64)
    return LongPayloads(
        row=np.array([row for row, _ in long], np.int64),
        start=np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes))),
        bytes=np.frombuffer(b"".join([data for _, data in long]), np.uint8),
    )
