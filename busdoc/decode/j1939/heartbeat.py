"""The ISO 11783-7 heartbeat: parameter group 61668, every 100 ms, first byte a sequence.

The first after start-up carries 251, then 0 … 250 and round to 0; 254 says that the sender is in error, 255 that it
means to go. More than 300 ms without one is a failure.
"""

from typing import Final

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.times import MILLISECOND_NS

__all__ = ["FIRST", "LAST", "LATE_NS", "SENDER_ERROR", "lost_between"]

FIRST: Final = 251
SENDER_ERROR: Final = 254
LAST: Final = 255
LATE_NS: Final = 300 * MILLISECOND_NS
_ROUND = 251


def lost_between(before: UInt8Array, after: UInt8Array) -> Int64Array:
    """Count how many heartbeats are missing between each pair; 0 where either is no running number.

    Parameters
    ----------
    before, after : (n,) uint8, the sequence of one heartbeat and of the next one heard

    >>> lost_between(np.array([250, 251, 3], np.uint8), np.array([0, 0, 5], np.uint8)).tolist()
    [0, 0, 1]
    """
    old, new = before.astype(np.int64), after.astype(np.int64)
    old = np.where(old == FIRST, -1, old)  # 0 follows the first
    step = (new - old) % _ROUND
    counts = (old < _ROUND) & (new < _ROUND)
    missing: Int64Array = np.where(counts, (step - 1) % _ROUND, 0)
    return missing
