"""The wire: frames that want to be sent at once go one after the other, the lowest identifier first.

A frame waits for the one on the wire (CAN is not preemptive) and for every pending one of higher priority, which is
where the jitter of a loaded bus comes from (R. I. Davis et al., Controller Area Network schedulability analysis,
Real-Time Systems 35, 2007).
"""

import heapq
from collections.abc import Callable

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array, UInt32Array
from busdoc.kernels.compiled import has_compiler

__all__ = ["arbitration_key", "serialise", "wire_bits"]

_COMPILE_FROM = 300_000
"""Below this many frames, loading and compiling numba costs more than it saves."""


def wire_bits(extended: BoolArray, length: UInt8Array) -> Int64Array:
    """Estimate each classical frame's bits, intermission included.

    44 or 64 fixed bits (ISO 11898-1), 3 of intermission, the payload, and one stuff bit in twenty, as random payloads
    have on average. The analysis counts true stuffed lengths; here only the waiting depends on it.
    """
    plain = np.where(extended, 67, 47) + 8 * length.astype(np.int64)
    return (plain + plain // 20).astype(np.int64)


def arbitration_key(identifier: UInt32Array, extended: BoolArray) -> Int64Array:
    """Give numbers whose order is priority: a base frame beats an extended one with the same first 11 bits."""
    wide = identifier.astype(np.int64)
    return np.where(extended, ((wide >> 18) << 20) | (1 << 19) | (wide & 0x3FFFF), wide << 20)


def serialise(release_ns: Int64Array, cost_ns: Int64Array, key: Int64Array, free_ns: int) -> Int64Array:
    """Find when each frame's last bit has passed.

    Parameters
    ----------
    release_ns : (n,) int64, ns, non-decreasing: when a frame is ready to go
    cost_ns : (n,) int64, ns: how long it takes on the wire
    key : (n,) int64: lower goes first; frames of equal key in the order of release
    free_ns : when the wire is free for the first of them

    Returns
    -------
    (n,) int64, ns: end of each frame, in the order in which they were given
    """
    if len(release_ns) < _COMPILE_FROM or not has_compiler():
        return np.asarray(_in_turn(release_ns.tolist(), cost_ns.tolist(), key.tolist(), free_ns), np.int64)
    return np.asarray(_compiled()(release_ns, cost_ns, key, free_ns), np.int64)


def _in_turn(release_ns: list[int], cost_ns: list[int], key: list[int], free_ns: int) -> list[int]:
    n = len(release_ns)
    end_ns = [0] * n
    pending: list[tuple[int, int]] = []
    now_ns = free_ns
    at = 0
    for _ in range(n):
        if not pending and at < n and release_ns[at] > now_ns:
            now_ns = release_ns[at]
        while at < n and release_ns[at] <= now_ns:
            heapq.heappush(pending, (key[at], at))
            at += 1
        _, row = heapq.heappop(pending)
        now_ns += cost_ns[row]
        end_ns[row] = now_ns
    return end_ns


def _compiled() -> Callable[[Int64Array, Int64Array, Int64Array, int], Int64Array]:
    from busdoc.simulation.arbitration_kernel import in_turn  # numba: 0.25 s to load, seconds to compile

    return in_turn
