"""`busdoc.simulation.arbitration` for long captures, compiled."""

from heapq import heappop, heappush

import numba
import numpy as np

from busdoc.arrays import Int64Array

__all__ = ["in_turn"]


@numba.njit(cache=True)
def in_turn(release_ns: Int64Array, cost_ns: Int64Array, key: Int64Array, free_ns: int) -> Int64Array:
    """Find when each frame's last bit has passed; see `busdoc.simulation.arbitration.serialise`."""
    n = len(release_ns)
    end_ns = np.zeros(n, np.int64)
    pending = [(np.int64(0), np.int64(0)) for _ in range(0)]
    now_ns = np.int64(free_ns)
    at = np.int64(0)
    for _ in range(n):
        if len(pending) == 0 and at < n and release_ns[at] > now_ns:
            now_ns = release_ns[at]
        while at < n and release_ns[at] <= now_ns:
            heappush(pending, (key[at], at))
            at += np.int64(1)
        row = heappop(pending)[1]
        now_ns += cost_ns[row]
        end_ns[row] = now_ns
    return end_ns
