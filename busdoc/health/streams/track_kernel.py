"""Compiled kernel of `busdoc.health.streams.track`: one pass over the arrivals, in the order of time.

Imported for long recordings only, since the import alone costs half a second. It must remember exactly what the numpy
path remembers; one contract test runs over both. Kernel and callees stay in this file: numba's cache does not see a
change in another one.
"""

from numba import njit

from busdoc.arrays import Float64Array, Int64Array, UInt64Array

__all__ = ["take_arrivals"]

_FIRST_OCTAVE = 13
_MANTISSA = 4
_LEARN_AFTER = 16
_REGULAR = 1.4


@njit(cache=True, nogil=True)
def _bin(interval_ns: int, n_bins: int) -> int:
    """Give the logarithmic bin of an interval: its highest bit and the four below it."""
    value = max(interval_ns, 1 << _FIRST_OCTAVE)
    top = 0
    rest = value
    for shift in (32, 16, 8, 4, 2, 1):
        if rest >> shift:
            top += shift
            rest >>= shift
    found = ((top - _FIRST_OCTAVE) << _MANTISSA) + ((value >> (top - _MANTISSA)) & ((1 << _MANTISSA) - 1))
    return min(found, n_bins - 1)


@njit(cache=True, nogil=True)
def _limit(counts: Int64Array, quantile: float, factor: float, edges_ns: Float64Array) -> int:
    """Give the notable length: `factor` times the upper edge of the bin that holds the quantile."""
    total = 0
    for k in range(len(counts)):
        total += counts[k]
    wanted = quantile * total
    upto = 0
    for k in range(len(counts)):
        upto += counts[k]
        if upto >= wanted:
            return int(factor * edges_ns[k + 1])
    return int(factor * edges_ns[len(counts)])


@njit(cache=True, nogil=True)
def take_arrivals(
    first: int,
    row: Int64Array,
    t_ns: Int64Array,
    payload: UInt64Array,
    with_context: bool,
    quantile: float,
    factor: float,
    edges_ns: Float64Array,
    floor_ns: Int64Array,
    count: Int64Array,
    first_ns: Int64Array,
    last_ns: Int64Array,
    notable_ns: Int64Array,
    interval_count: Int64Array,
    interval_sum: Int64Array,
    regular_count: Int64Array,
    regular_sum: Int64Array,
    last_dt: Int64Array,
    ring_ns: Int64Array,
    ring_payload: UInt64Array,
    sample: Int64Array,
    sample_n: Int64Array,
    stride: Int64Array,
    due_at: Int64Array,
    due_slot: Int64Array,
    n_due: Int64Array,
    out_row: Int64Array,
    out_from_ns: Int64Array,
    out_to_ns: Int64Array,
    out_nth: Int64Array,
    out_before_ns: Int64Array,
    out_before_payload: UInt64Array,
    out_after_ns: Int64Array,
    out_after_payload: UInt64Array,
    n_out: int,
) -> tuple[int, int]:
    """Take arrivals from `first` on, until they end or the output is full.

    The columns are those of `Tracks`; `ring_ns` and `ring_payload` hold arrival k of a track at k modulo their width, a
    power of two.
    Silences go to the `out_` arrays; `due_at` says at which count the frames after one are complete in the ring.

    Returns
    -------
    The arrival to go on with, and how many silences are in the output.
    """
    n_bins = interval_count.shape[1]
    width = ring_ns.shape[1]
    most = len(out_row)
    size = sample.shape[1]
    for at in range(first, len(row)):
        if n_out == most:
            return at, n_out
        track = row[at]
        now_ns = t_ns[at]
        nth = count[track]
        if nth == 0:
            first_ns[track] = now_ns
        else:
            dt = now_ns - last_ns[track]
            k = _bin(dt, n_bins)
            if dt > notable_ns[track] and dt > floor_ns[track]:
                out_row[n_out] = track
                out_from_ns[n_out] = last_ns[track]
                out_to_ns[n_out] = now_ns
                out_nth[n_out] = nth
                if with_context:
                    for j in range(width):
                        out_before_ns[n_out, j] = ring_ns[track, (nth + j) & (width - 1)]
                        out_before_payload[n_out, j] = ring_payload[track, (nth + j) & (width - 1)]
                    due_at[track, n_due[track]] = nth + width
                    due_slot[track, n_due[track]] = n_out
                    n_due[track] += 1
                n_out += 1
            interval_count[track, k] += 1
            interval_sum[track, k] += dt
            if with_context:
                low = min(last_dt[track, 0], last_dt[track, 1])
                high = max(last_dt[track, 0], last_dt[track, 1])
                if low > 0 and high <= dt * _REGULAR and low * _REGULAR >= dt:
                    regular_count[track, k] += 1
                    regular_sum[track, k] += dt
                last_dt[track, 1] = last_dt[track, 0]
                last_dt[track, 0] = dt
                if nth & (stride[track] - 1) == 0:
                    sample[track, sample_n[track]] = dt
                    sample_n[track] += 1
                    if sample_n[track] == size:
                        for j in range(size // 2):
                            sample[track, j] = sample[track, 2 * j + 1]
                        sample_n[track] = size // 2
                        stride[track] *= 2
        last_ns[track] = now_ns
        if with_context:
            place = nth & (width - 1)
            ring_ns[track, place] = now_ns
            ring_payload[track, place] = payload[at]
        nth += 1
        count[track] = nth
        if with_context and n_due[track] and due_at[track, 0] == nth:
            slot = due_slot[track, 0]
            for j in range(width):
                out_after_ns[slot, j] = ring_ns[track, (nth + j) & (width - 1)]
                out_after_payload[slot, j] = ring_payload[track, (nth + j) & (width - 1)]
            n_due[track] -= 1
            for j in range(n_due[track]):
                due_at[track, j] = due_at[track, j + 1]
                due_slot[track, j] = due_slot[track, j + 1]
        if nth >= _LEARN_AFTER and nth & (nth - 1) == 0:
            notable_ns[track] = _limit(interval_count[track], quantile, factor, edges_ns)
    return len(row), n_out
