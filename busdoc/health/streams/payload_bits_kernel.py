"""The compiled way to follow payload bits: one pass in the order of time; see `busdoc.health.streams.payload_bits`."""

from typing import Any

import numpy as np

from busdoc.kernels.compiled import compiled

__all__ = ["take_bits"]

_BITS = 64


@compiled(
    "UniTuple(int64, 2)(int64, int64[::1], int64[::1], uint64[::1], uint64[::1], uint8[::1], uint64[::1],"
    " int64[:, ::1], int64, int64[::1], int64[::1])",
)
def take_bits(
    first: Any,
    row: Any,
    t_ns: Any,
    words: Any,
    last: Any,
    known: Any,
    busy: Any,
    count: Any,
    most: Any,
    out_key: Any,
    out_ns: Any,
) -> Any:
    """Compare each frame with the one of its stream before it, until the frames end or the room for changes does.

    Parameters
    ----------
    first : the frame to go on with
    last, known, busy : (streams,) the last payload, whether there was one, and the bits that change too often
    count : (streams, 64) changes so far
    most : a bit with more changes is busy
    out_key, out_ns : (m,) written: (stream * 64 + bit) * 2 + the value it took, and when

    Returns
    -------
    the frame to go on with, and how many changes were written
    """
    n_out = np.int64(0)
    for at in range(first, len(row)):
        stream = row[at]
        if stream >= len(last):
            continue
        word = words[at]
        if known[stream] == 0:
            known[stream] = 1
            last[stream] = word
            continue
        changed = (word ^ last[stream]) & ~busy[stream]
        if changed == np.uint64(0):
            last[stream] = word
            continue
        if n_out + _BITS > len(out_key):
            return np.int64(at), n_out
        last[stream] = word
        for bit in range(_BITS):
            place = np.uint64(1) << np.uint64(bit)
            if changed & place:
                count[stream, bit] += 1
                if count[stream, bit] > most:
                    busy[stream] |= place
                    continue
                out_key[n_out] = (stream * _BITS + bit) * 2 + (1 if word & place else 0)
                out_ns[n_out] = t_ns[at]
                n_out += 1
    return np.int64(len(row)), n_out
