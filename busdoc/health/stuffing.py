"""Bit stuffing and the CRC-15, a byte at a time: tables made from their bit-by-bit definitions.

After five equal bits the sender inserts one opposite bit, which is the first of the next run (ISO 11898-1). All that
the next bit needs to know is the last bit sent and how many equal ones end there, one to four: eight states. So one
table of eight states and 256 bytes gives, for each byte, the next state and how many bits were inserted.
"""

import numpy as np

from busdoc.arrays import UInt8Array, UInt16Array

__all__ = ["COUNT_SHIFT", "CRC15", "ENDS_IN_STUFF", "STATE_MASK", "STUFF_BYTE", "STUFF_FIVE"]

STATE_MASK = 0x07
"""A table entry's next state: four times the last bit, plus the length of its run less one."""
COUNT_SHIFT = 3
"""Where a table entry has its count of inserted bits, 0 … 2."""
ENDS_IN_STUFF = 0x20
"""Set in a table entry when its last bit made the fifth of a run."""

_CRC15_POLYNOMIAL = 0x4599  # x15 + x14 + x10 + x8 + x7 + x4 + x3 + 1, ISO 11898-1


def _stuff_table(n_bits: int) -> UInt8Array:
    """Give the entry for each state and each word of `n_bits`, at ``state << n_bits | word``."""
    table = np.empty(8 << n_bits, np.uint8)
    for state in range(8):
        for word in range(1 << n_bits):
            last, run, count, ends = state >> 2, (state & 3) + 1, 0, 0
            for at in range(n_bits - 1, -1, -1):
                bit = word >> at & 1
                run = run + 1 if bit == last else 1
                last, ends = bit, 0
                if run == 5:
                    count, ends = count + 1, ENDS_IN_STUFF
                    last, run = 1 - bit, 1
            table[state << n_bits | word] = last << 2 | run - 1 | count << COUNT_SHIFT | ends
    return table


def _crc15_table() -> UInt16Array:
    table = np.empty(256, np.uint16)
    for byte in range(256):
        crc = byte << 7
        for _ in range(8):
            crc = (crc << 1) ^ (_CRC15_POLYNOMIAL if crc & 0x4000 else 0)
        table[byte] = crc & 0x7FFF
    return table


STUFF_BYTE = _stuff_table(8)
STUFF_FIVE = _stuff_table(5)
CRC15 = _crc15_table()
