"""How many bit times a frame takes on the wire, stuff bits and intermission included.

The worst case that load is often computed from is never reached in practice; the true length follows from the bits
that were sent, the CRC among them. A block's lengths come from numpy here; `busdoc.health.wire.wire_kernel` holds the
compiled twin for long recordings.

    classical   SOF id RTR IDE r0 DLC | data | CRC-15 |                                  stuffed up to here
                                                      | CRC delimiter, ACK 2, EOF 7, intermission 3
    FD          SOF id RRS IDE FDF res BRS |                                             stuffed, at the nominal rate
                ESI DLC | data |                                                         stuffed, at the data rate
                stuff count 4, CRC-17 or -21, a fixed stuff bit before them and after every fourth, CRC delimiter
                                                      | ACK 2, EOF 7, intermission 3     at the nominal rate

Sources: ISO 11898-1:2015; CAN 2.0 specification, part B. The bit rate switches at the sample points of the BRS bit and
of the CRC delimiter; with like sample points these two take one nominal and one data bit time together. A run of five
that the data ends in is broken by the first fixed stuff bit and takes no other (from memory of ISO 11898-1:2015).
"""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array, UInt16Array
from busdoc.capture.frames import FrameBlock, FrameFlag

__all__ = [
    "BASE_HEADER",
    "COUNT_SHIFT",
    "CRC15",
    "DLC_OF_LENGTH",
    "ENDS_IN_STUFF",
    "ERROR_FRAME_BITS",
    "ERROR_ON_WIRE",
    "EXTENDED_HEADER",
    "FD_LENGTHS",
    "STATE_MASK",
    "STUFF_BYTE",
    "STUFF_FIVE",
    "FrameBits",
    "frame_bits",
]

STATE_MASK = 0x07
"""A table entry's next state: four times the last bit, plus the length of its run less one."""
COUNT_SHIFT = 3
"""Where a table entry has its count of inserted bits, 0 … 2."""
ENDS_IN_STUFF = 0x20
"""Set in a table entry when its last bit made the fifth of a run."""

_CRC15_POLYNOMIAL = 0x4599  # x15 + x14 + x10 + x8 + x7 + x4 + x3 + 1, ISO 11898-1


def _stuff_table(n_bits: int) -> UInt8Array:
    """Give the entry for each state and each word of `n_bits`, at ``state << n_bits | word``."""
    state, word = np.divmod(np.arange(8 << n_bits), 1 << n_bits)
    last, run, count = state >> 2, (state & 3) + 1, np.zeros_like(state)
    stuffed = np.zeros_like(state, np.bool_)
    for at in range(n_bits - 1, -1, -1):  # all entries at once: one by one they take 6 ms of each run
        bit = word >> at & 1
        run = np.where(bit == last, run + 1, 1)
        stuffed = run == 5
        count += stuffed
        last, run = np.where(stuffed, 1 - bit, bit), np.where(stuffed, 1, run)
    return (last << 2 | run - 1 | count << COUNT_SHIFT | stuffed * ENDS_IN_STUFF).astype(np.uint8)


def _crc15_table() -> UInt16Array:
    crc = np.arange(256) << 7
    for _ in range(8):
        crc = (crc << 1) ^ np.where(crc & 0x4000, _CRC15_POLYNOMIAL, 0)
    return (crc & 0x7FFF).astype(np.uint16)


STUFF_BYTE = _stuff_table(8)
STUFF_FIVE = _stuff_table(5)
CRC15 = _crc15_table()


FD_LENGTHS = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64], np.uint8)
"""Payload bytes by data length code, ISO 11898-1:2015."""

DLC_OF_LENGTH = np.searchsorted(FD_LENGTHS, np.arange(65)).astype(np.uint8)
"""The smallest data length code that holds so many bytes."""

ERROR_FRAME_BITS = 20
"""An error flag takes 6 to 12 bits as flags overlap, its delimiter 8, the intermission 3: 17 to 23 (ISO 11898-1)."""

ERROR_ON_WIRE = 0x08 | 0x20 | 0x80
"""Classes of error-message frames that tell of an error frame on the wire: protocol violation, no acknowledge, bus
error. The others tell of the adapter's own state (Linux, `can/error.h`)."""

BASE_HEADER = 19
EXTENDED_HEADER = 39
"""Bits from SOF to the data length code of a classical frame."""
_TAIL = 10 + 3
"""CRC delimiter, ACK slot and delimiter, EOF; intermission."""
_CRC15_BITS = 15
_FD_TAIL = 9 + 3
"""ACK slot and delimiter, EOF; intermission."""
_ROWS_AT_ONCE = 1 << 15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameBits:
    """Length of each frame in bit times, apart by the rate that the bits are sent at."""

    nominal: Int64Array
    """(n,) bits at the nominal rate: all of a classical frame."""
    data: Int64Array
    """(n,) bits at the data rate: none unless the frame switched."""


def frame_bits(block: FrameBlock) -> FrameBits:
    """Give the length of every frame of a block, intermission included.

    An error-message frame that tells of an error frame on the wire counts `ERROR_FRAME_BITS`, any other none. The
    capture does not keep a data length code above 8 of a classical frame; such a frame is measured as one with 8.
    """
    nominal = np.zeros(len(block), np.int64)
    data = np.zeros(len(block), np.int64)
    for first in range(0, len(block), _ROWS_AT_ONCE):
        piece = block.slice(first, min(first + _ROWS_AT_ONCE, len(block)))
        rows = np.s_[first : first + len(piece)]
        nominal[rows], data[rows] = _piece_bits(piece)
    return FrameBits(nominal=nominal, data=data)


def _piece_bits(block: FrameBlock) -> tuple[Int64Array, Int64Array]:
    nominal = np.zeros(len(block), np.int64)
    data = np.zeros(len(block), np.int64)
    error = (block.flags & FrameFlag.ERROR) != 0
    on_wire = ((block.id & ERROR_ON_WIRE) != 0) | (block.id == 0)
    nominal[error & on_wire] = ERROR_FRAME_BITS
    extended = (block.flags & FrameFlag.EXTENDED) != 0
    fd = ((block.flags & FrameFlag.FD) != 0) | (block.length > 8)
    fd &= (block.flags & FrameFlag.REMOTE) == 0
    for is_extended in (False, True):
        kind = ~error & (extended == is_extended)
        classical = np.flatnonzero(kind & ~fd)
        if len(classical):
            nominal[classical] = _classical_bits(block, classical, is_extended)
        switched = np.flatnonzero(kind & fd)
        if len(switched):
            nominal[switched], data[switched] = _fd_bits(block, switched, is_extended)
    return nominal, data


def _classical_bits(block: FrameBlock, rows: Int64Array, extended: bool) -> Int64Array:
    remote = (block.flags[rows] & FrameFlag.REMOTE) != 0
    dlc = np.minimum(block.length[rows], 8).astype(np.int64)
    n_bytes = np.where(remote, 0, dlc)
    longest_first = np.argsort(-n_bytes, kind="stable")
    rows, n_bytes = rows[longest_first], n_bytes[longest_first]
    identifier = block.id[rows].astype(np.int64)
    control = (remote[longest_first].astype(np.int64) << 6) | dlc[longest_first]
    if extended:
        high, low = identifier >> 18 & 0x7FF, identifier & 0x3FFFF
        header = high << 27 | 0b11 << 25 | low << 7 | control  # SRR and IDE are recessive
        lead_in, n_header = 0x80, EXTENDED_HEADER
    else:
        header = (identifier & 0x7FF) << 7 | control
        lead_in, n_header = 0xA8, BASE_HEADER
    walk = _Walk(len(rows), with_crc=True)
    walk.header(header, (n_header + 7) // 8, lead_in)
    for k in range(int(n_bytes[0]) if len(n_bytes) else 0):
        n_long = int(np.count_nonzero(n_bytes > k))
        walk.step(block.data[rows[:n_long], k], n_long)
    walk.crc()
    bits = np.empty(len(rows), np.int64)
    bits[longest_first] = n_header + 8 * n_bytes + _CRC15_BITS + _TAIL + walk.n_stuff
    return bits


def _fd_bits(block: FrameBlock, rows: Int64Array, extended: bool) -> tuple[Int64Array, Int64Array]:
    dlc = DLC_OF_LENGTH[np.minimum(block.length[rows], 64)].astype(np.int64)
    n_bytes = FD_LENGTHS[dlc].astype(np.int64)
    longest_first = np.argsort(-n_bytes, kind="stable")
    rows, n_bytes, dlc = rows[longest_first], n_bytes[longest_first], dlc[longest_first]
    identifier = block.id[rows].astype(np.int64)
    flags = block.flags[rows]
    switches = (flags & FrameFlag.BRS) != 0
    control = 0b100 | switches.astype(np.int64)  # FDF recessive, res dominant, BRS
    if extended:
        high, low = identifier >> 18 & 0x7FF, identifier & 0x3FFFF
        header, n_header, lead_in = high << 24 | 0b11 << 22 | low << 4 | control, 36, 0x50
    else:
        header, n_header, lead_in = (identifier & 0x7FF) << 5 | control, 17, 0xAA
    walk = _Walk(len(rows), with_crc=False)
    walk.header(header, (n_header + 7) // 8, lead_in)
    stuff_before = walk.n_stuff.copy()
    esi = ((flags & FrameFlag.ESI) != 0).astype(np.int64)
    walk.five(esi << 4 | dlc)
    payload = _payload_matrix(block, rows, int(n_bytes[0]))
    for k in range(payload.shape[1]):
        n_long = int(np.count_nonzero(n_bytes > k))
        walk.step(payload[:n_long, k], n_long)
    stuff_after = walk.n_stuff - stuff_before - walk.ends_in_stuff
    crc_field = np.where(n_bytes <= 16, 4 + 17 + 6, 4 + 21 + 7)
    switched_part = 1 + 4 + 8 * n_bytes + stuff_after + crc_field + 1
    nominal = np.empty(len(rows), np.int64)
    data = np.empty(len(rows), np.int64)
    nominal[longest_first] = n_header + stuff_before + _FD_TAIL + np.where(switches, 0, switched_part)
    data[longest_first] = np.where(switches, switched_part, 0)
    return nominal, data


class _Walk:
    """Walks through the bits of many frames at once: their stuffing states, counts and checksums."""

    def __init__(self, n: int, *, with_crc: bool) -> None:
        self._state = np.zeros(n, np.intp)
        self._crc = np.zeros(n, np.intp) if with_crc else None
        self.n_stuff = np.zeros(n, np.int64)
        self.ends_in_stuff: BoolArray = np.zeros(n, np.bool_)

    def header(self, header: Int64Array, n_bytes: int, lead_in: int) -> None:
        """Take a header, right-aligned in whole bytes.

        `lead_in` fills the blank bits in front for the stuffing alone: alternating, recessive last, so that SOF begins
        a run. The CRC starts at zero and does not notice blank bits in front.
        """
        for k in range(n_bytes - 1, -1, -1):
            byte = (header >> 8 * k & 0xFF).astype(np.uint8)
            self.step(byte, len(header), lead_in if k == n_bytes - 1 else 0)

    def step(self, byte: UInt8Array, n: int, lead_in: int = 0) -> None:
        """Take one byte of each of the first `n` frames."""
        if self._crc is not None:
            crc = self._crc[:n]
            self._crc[:n] = (crc << 8 & 0x7F00) ^ CRC15[crc >> 7 ^ byte]
        self._take(STUFF_BYTE[self._state[:n] << 8 | byte | lead_in], n)

    def five(self, word: Int64Array) -> None:
        """Take five bits of every frame."""
        self._take(STUFF_FIVE[self._state << 5 | word], len(word))

    def crc(self) -> None:
        """Take the checksum; the bit that fills its last byte breaks the run, so it adds nothing."""
        if self._crc is not None:
            word = self._crc << 1 | (~self._crc & 1)
            n = len(word)
            self._crc, last = None, word
            self.step((last >> 8).astype(np.uint8), n)
            self.step((last & 0xFF).astype(np.uint8), n)

    def _take(self, entry: UInt8Array, n: int) -> None:
        self._state[:n] = entry & STATE_MASK
        self.n_stuff[:n] += entry >> COUNT_SHIFT & 0x3
        self.ends_in_stuff[:n] = (entry & ENDS_IN_STUFF) != 0


def _payload_matrix(block: FrameBlock, rows: Int64Array, n_columns: int) -> UInt8Array:
    """Give payloads as a matrix, zero beyond their length."""
    payload = np.zeros((len(rows), max(n_columns, 8)), np.uint8)
    payload[:, :8] = block.data[rows]
    if len(block.long.row):
        at = np.minimum(np.searchsorted(block.long.row, rows), len(block.long.row) - 1)
        is_long = np.flatnonzero(block.long.row[at] == rows)
        start, stop = block.long.start[at[is_long]], block.long.start[at[is_long] + 1]
        n_bytes = np.minimum(stop - start, payload.shape[1])
        row = np.repeat(is_long, n_bytes)
        column = np.arange(n_bytes.sum()) - np.repeat(np.cumsum(n_bytes) - n_bytes, n_bytes)
        payload[row, column] = block.long.bytes[np.repeat(start, n_bytes) + column]
    return payload[:, :n_columns]
