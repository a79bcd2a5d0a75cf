"""The compiled twin of `frame_length` with the sums by second: for long recordings only.

The kernels and all that they call stand in this one file.
Everything inside is int64: numba turns uint32 with int64 into float64.
"""

from typing import NamedTuple

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, UInt16Array, UInt32Array
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE
from busdoc.health.wire.frame_length import (
    CRC15,
    DLC_OF_LENGTH,
    ERROR_FRAME_BITS,
    ERROR_ON_WIRE,
    FD_LENGTHS,
    STUFF_BYTE,
    STUFF_FIVE,
)
from busdoc.kernels.compiled import compiled
from busdoc.times import SECOND_NS

__all__ = ["ROOM", "Frames", "sum_by_second"]


_HEADERS = 1024
ROOM = 256 + 2 * _HEADERS
"""Words that `sum_by_second` needs for itself."""
_HASH = 0x1E3779B97F4A7C15
_COUNT = 20


def _shifted_stuff_table() -> UInt32Array:
    """Give the stuffing table with the state where the next index wants it, so that entries simply add up.

    The count stands above bit 20, which the states of a whole frame cannot reach: their sum is below 15 * 0x700.
    """
    entry = STUFF_BYTE.astype(np.uint32)
    return ((entry & 7) << 8 | (entry >> 3 & 3) << _COUNT).astype(np.uint32)


def _distant_crc_tables() -> UInt16Array:
    """Give, at ``k << 8 | byte``, what a byte adds to the checksum when k more bytes follow.

    The CRC is linear and starts at zero, so the bytes of a frame can be looked up without waiting for one another.
    """
    tables = np.empty((8, 256), np.int64)
    tables[0] = CRC15
    for k in range(1, 8):
        tables[k] = (tables[k - 1] << 8 & 0x7F00) ^ CRC15[tables[k - 1] >> 7].astype(np.int64)
    return tables.reshape(-1).astype(np.uint16)


_STUFF = _shifted_stuff_table()
_CRC_FAR = _distant_crc_tables()


@compiled()
def _header_of(identifier: np.int64, extended: np.int64, remote: np.int64, dlc: np.int64) -> np.int64:
    """Give, packed, what the bits up to the data field leave behind: CRC, count of stuff bits, state, plain length."""
    control = remote << 6 | dlc
    if extended:
        header = (identifier >> 18 & 0x7FF) << 27 | 0b11 << 25 | (identifier & 0x3FFFF) << 7 | control
        lead_in, shift, n_bits = 0x80, 32, 39
    else:
        header = (identifier & 0x7FF) << 7 | control
        lead_in, shift, n_bits = 0xA8, 16, 19
    state, crc, n_stuff = np.int64(0), np.int64(0), np.int64(0)
    while shift >= 0:
        byte = header >> shift & 0xFF
        crc = (crc << 8 & 0x7F00) ^ np.int64(CRC15[crc >> 7 ^ byte])
        entry = np.int64(_STUFF[state | byte | lead_in])
        state = entry & 0x700
        n_stuff += entry >> _COUNT
        lead_in = 0
        shift -= 8
    return crc << 32 | (n_bits + n_stuff) << 16 | state


@compiled(inline="always")
def _classical_bits(header: np.int64, n_bytes: np.int64, word: np.int64) -> np.int64:
    """Give the length of a frame from its packed header and its payload as a little-endian word."""
    crc = header >> 32
    entry = header & 0x700
    total = np.int64(0)
    if n_bytes == 8:  # most frames: eight lookups that wait for nothing
        mixed = word ^ (crc >> 7 | (crc & 0x7F) << 9)
        crc = np.int64(0)
        for k in range(8):
            crc ^= np.int64(_CRC_FAR[(7 - k) << 8 | (mixed >> 8 * k & 0xFF)])
            entry = np.int64(_STUFF[(entry & 0x700) | (word >> 8 * k & 0xFF)])
            total += entry
    else:
        for k in range(n_bytes):
            byte = word >> 8 * k & 0xFF
            crc = (crc << 8 & 0x7F00) ^ np.int64(CRC15[(crc >> 7 & 0xFF) ^ byte])
            entry = np.int64(_STUFF[(entry & 0x700) | byte])
            total += entry
    last = (crc << 1 | (~crc & 1)) & 0xFFFF
    entry = np.int64(_STUFF[(entry & 0x700) | last >> 8])
    total += entry
    total += np.int64(_STUFF[(entry & 0x700) | (last & 0xFF)])
    return (header >> 16 & 0xFFFF) + 8 * n_bytes + 28 + (total >> _COUNT)


@compiled()
def _fd_bits(
    identifier: np.int64,
    flags: np.int64,
    length: np.int64,
    word: np.int64,
    long_bytes: UInt8Array,
    first: np.int64,
    last: np.int64,
) -> tuple[np.int64, np.int64]:
    """Give nominal and data bits; the payload is `long_bytes[first:last]` when that is not empty."""
    dlc = np.int64(DLC_OF_LENGTH[min(length, np.int64(64))])
    n_bytes = np.int64(FD_LENGTHS[dlc])
    switches = 1 if flags & BRS else 0
    control = 0b100 | switches
    if flags & EXTENDED:
        header = (identifier >> 18 & 0x7FF) << 24 | 0b11 << 22 | (identifier & 0x3FFFF) << 4 | control
        lead_in, shift, n_bits = 0x50, 32, 36
    else:
        header = (identifier & 0x7FF) << 5 | control
        lead_in, shift, n_bits = 0xAA, 16, 17
    state, before, n_stuff = np.int64(0), np.int64(0), np.int64(0)
    while shift >= 0:
        entry = np.int64(STUFF_BYTE[state << 8 | (header >> shift & 0xFF) | lead_in])
        state = entry & 7
        before += entry >> 3 & 3
        lead_in = 0
        shift -= 8
    esi = 1 if flags & ESI else 0
    entry = np.int64(STUFF_FIVE[state << 5 | esi << 4 | dlc])
    n_stuff += entry >> 3 & 3
    for k in range(n_bytes):
        byte = np.int64(0)
        if last > first:
            if first + k < last:
                byte = np.int64(long_bytes[first + k])
        elif k < 8:
            byte = word >> 8 * k & 0xFF
        entry = np.int64(STUFF_BYTE[(entry & 7) << 8 | byte])
        n_stuff += entry >> 3 & 3
    n_stuff -= entry >> 5 & 1
    crc_field = 27 if n_bytes <= 16 else 32
    switched_part = 6 + 8 * n_bytes + n_stuff + crc_field
    nominal = n_bits + before + 12
    return (nominal, switched_part) if switches else (nominal + switched_part, np.int64(0))


class Frames(NamedTuple):
    """The columns of a `FrameBlock`."""

    t_ns: Int64Array
    channel: UInt8Array
    id: UInt32Array
    flags: UInt16Array
    n_bytes: UInt8Array
    words: Int64Array
    """(n,) the first eight payload bytes as a little-endian word."""
    long_row: Int64Array
    long_start: Int64Array
    long_bytes: UInt8Array


@compiled()
def sum_by_second(frames: Frames, first: int, last: int, zero_ns: int, sums: Int64Array, room: Int64Array) -> int:
    """Sum up rows `first` to `last` by channel and second.

    Parameters
    ----------
    zero_ns : where the seconds are counted from
    sums : (m, 6) int64, written: channel, second, frames, error frames, nominal bits, data bits; m is at least
        ``last - first``
    room : (ROOM,) int64

    Returns
    -------
    How many rows of `sums` were written
    """
    n_sums = 0
    row_of, header_key, header = room[:256], room[256 : 256 + _HEADERS], room[256 + _HEADERS :]
    row_of[:], header_key[:] = -1, -1
    begin_ns, end_ns, second = np.int64(0), np.int64(0), np.int64(0)
    long_row, long_start = frames.long_row, frames.long_start
    at_long = np.searchsorted(long_row, first)
    for row in range(first, last):
        t = frames.t_ns[row]
        # the row of sums for this channel and second; a new second begins new rows
        if t < begin_ns or t >= end_ns:
            second = (t - zero_ns) // SECOND_NS
            begin_ns = zero_ns + second * SECOND_NS
            end_ns = begin_ns + SECOND_NS
            row_of[:] = -1
        where = np.int64(frames.channel[row])
        into = row_of[where]
        if into < 0:
            into = n_sums
            row_of[where] = into
            sums[into, 0], sums[into, 1] = where, second
            sums[into, 2:] = 0
            n_sums += 1
        # an error-message frame: only some of their classes tell of an error frame on the wire
        frame_id = np.int64(frames.id[row])
        frame_flags = np.int64(frames.flags[row])
        n_bytes = np.int64(frames.n_bytes[row])
        if frame_flags & ERROR:
            sums[into, 3] += 1
            if frame_id & ERROR_ON_WIRE or frame_id == 0:
                sums[into, 4] += ERROR_FRAME_BITS
            continue
        sums[into, 2] += 1
        # an FD frame: its whole payload stands among the long ones, where it is longer than 8 bytes
        if (frame_flags & FD or n_bytes > 8) and not frame_flags & REMOTE:
            long_first, long_last = np.int64(0), np.int64(0)
            while at_long < len(long_row) and long_row[at_long] < row:
                at_long += 1
            if at_long < len(long_row) and long_row[at_long] == row:
                long_first, long_last = long_start[at_long], long_start[at_long + 1]
            nominal, switched = _fd_bits(
                frame_id, frame_flags, n_bytes, frames.words[row], frames.long_bytes, long_first, long_last
            )
            sums[into, 4] += nominal
            sums[into, 5] += switched
        else:
            # a classical one: what its bits up to the data leave behind is looked up by identifier and length
            remote = np.int64(1 if frame_flags & REMOTE else 0)
            dlc = min(n_bytes, np.int64(8))
            key = frame_id | (frame_flags & EXTENDED) << 32 | remote << 33 | dlc << 34
            slot = (key * _HASH) >> 40 & (_HEADERS - 1)
            if header_key[slot] != key:  # a capture has few identifiers, each with its own length
                header_key[slot] = key
                header[slot] = _header_of(frame_id, frame_flags & EXTENDED, remote, dlc)
            sums[into, 4] += _classical_bits(header[slot], np.int64(0) if remote else dlc, frames.words[row])
    return n_sums
