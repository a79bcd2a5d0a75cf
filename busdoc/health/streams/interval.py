"""Intervals between frames, sorted into logarithmic bins.

Sixteen bins an octave from 8 µs to 73 minutes: a stream's whole rhythm in a few kilobytes, whatever the length of the
capture and wherever it is cut. The bin comes straight from the exponent and the top mantissa bits of the float, so
the binning is exact and the same on every machine.
"""

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["BINS_PER_OCTAVE", "N_BINS", "bin_edges_ns", "interval_bin"]

BINS_PER_OCTAVE = 16
_FIRST_OCTAVE = 13
_LAST_OCTAVE = 42
N_BINS = (_LAST_OCTAVE - _FIRST_OCTAVE) * BINS_PER_OCTAVE
_EXPONENT_BIAS = 1023
_SHIFT = 52 - 4  # 16 bins an octave are the top four mantissa bits


def interval_bin(interval_ns: Int64Array) -> Int64Array:
    """Give the bin of each interval; shorter than the first or longer than the last goes to that one.

    Parameters
    ----------
    interval_ns : (n,) int64, ns, not negative

    Returns
    -------
    (n,) int64, 0 … N_BINS - 1
    """
    bits = np.maximum(interval_ns, 1 << _FIRST_OCTAVE).astype(np.float64).view(np.int64)
    bits >>= _SHIFT
    bits -= (_EXPONENT_BIAS + _FIRST_OCTAVE) * BINS_PER_OCTAVE
    return np.minimum(bits, N_BINS - 1, out=bits)


def bin_edges_ns() -> Float64Array:
    """Give the lower edges of all bins and the upper edge of the last, (N_BINS + 1,), ns."""
    octave, step = np.divmod(np.arange(N_BINS + 1), BINS_PER_OCTAVE)
    edges: Float64Array = np.ldexp(1.0 + step / BINS_PER_OCTAVE, octave + _FIRST_OCTAVE)
    return edges
