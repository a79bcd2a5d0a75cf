"""Compiled kernel of `busdoc.health.streams.track`: one pass over the arrivals, in the order of time.

Used for long recordings only, since it may have to be compiled first. It must remember exactly what the numpy path
remembers; one contract test runs over both.
"""

from typing import NamedTuple

from busdoc.arrays import Float64Array, Int64Array, UInt64Array
from busdoc.kernels.compiled import compiled

__all__ = ["Arrivals", "Due", "Found", "Remembered", "Rule", "take_arrivals"]

_FIRST_OCTAVE = 13
_MANTISSA = 4
_LEARN_AFTER = 16
_REGULAR = 1.4


@compiled()
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


@compiled()
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


class Arrivals(NamedTuple):
    """A block, (n,) each, in the order of time."""

    row: Int64Array
    t_ns: Int64Array
    payload: UInt64Array
    """The eight bytes as one word; empty where no context is kept."""


class Rule(NamedTuple):
    """Which silences are notable, see `TrackColumns`."""

    with_context: bool
    quantile: float
    factor: float
    edges_ns: Float64Array
    """(N_BINS + 1,) of the histograms."""
    floor_ns: Int64Array
    """(tracks,) shorter ones would not be kept."""


class Remembered(NamedTuple):
    """The columns of `TrackColumns` by the same names, changed in place; the tails as rings."""

    arrived: Int64Array
    """(tracks,) their `count`, which is what tuples call something else."""
    first_ns: Int64Array
    last_ns: Int64Array
    notable_ns: Int64Array
    always_ns: Int64Array
    interval_count: Int64Array
    interval_sum: Int64Array
    regular_count: Int64Array
    regular_sum: Int64Array
    last_dt: Int64Array
    sample: Int64Array
    sample_n: Int64Array
    stride: Int64Array
    ring_ns: Int64Array
    """(tracks, w) arrival k of a track at k modulo w, a power of two."""
    ring_payload: UInt64Array


class Due(NamedTuple):
    """The silences that still want frames after them, by track, the first of them first."""

    at: Int64Array
    """(tracks, w + 1) at which count the frames after one are complete in the ring."""
    slot: Int64Array
    """(tracks, w + 1) which silence of the output it is."""
    n: Int64Array
    """(tracks,)"""


class Found(NamedTuple):
    """The output, m silences at most."""

    row: Int64Array
    from_ns: Int64Array
    to_ns: Int64Array
    nth: Int64Array
    """(m,) the count of the arrival that ended it."""
    before_ns: Int64Array
    """(m, w) the frames before it, right aligned; (m, 0) where no context is kept, as are those below."""
    before_payload: UInt64Array
    after_ns: Int64Array
    after_payload: UInt64Array


@compiled()
def take_arrivals(
    first: int, arrivals: Arrivals, rule: Rule, tracks: Remembered, due: Due, found: Found, n_found: int
) -> tuple[int, int]:
    """Take arrivals from `first` on, until they end or the output is full.

    Parameters
    ----------
    n_found : silences that stand in the output already

    Returns
    -------
    The arrival to go on with, and how many silences are in the output.
    """
    n_bins = tracks.interval_count.shape[1]
    width = tracks.ring_ns.shape[1]
    most = len(found.row)
    size = tracks.sample.shape[1]
    for at in range(first, len(arrivals.row)):
        if n_found == most:
            return at, n_found
        track = arrivals.row[at]
        now_ns = arrivals.t_ns[at]
        nth = tracks.arrived[track]
        if nth == 0:
            tracks.first_ns[track] = now_ns
        else:
            dt = now_ns - tracks.last_ns[track]
            k = _bin(dt, n_bins)
            # a silence: note it with the frames before it, and when those after it will have come
            if dt > tracks.notable_ns[track] and dt > rule.floor_ns[track]:
                found.row[n_found] = track
                found.from_ns[n_found] = tracks.last_ns[track]
                found.to_ns[n_found] = now_ns
                found.nth[n_found] = nth
                if rule.with_context:
                    for j in range(width):
                        found.before_ns[n_found, j] = tracks.ring_ns[track, (nth + j) & (width - 1)]
                        found.before_payload[n_found, j] = tracks.ring_payload[track, (nth + j) & (width - 1)]
                    due.at[track, due.n[track]] = nth + width
                    due.slot[track, due.n[track]] = n_found
                    due.n[track] += 1
                n_found += 1
            tracks.interval_count[track, k] += 1
            tracks.interval_sum[track, k] += dt
            if rule.with_context:
                # a regular interval: the two before it were like it
                low = min(tracks.last_dt[track, 0], tracks.last_dt[track, 1])
                high = max(tracks.last_dt[track, 0], tracks.last_dt[track, 1])
                if low > 0 and high <= dt * _REGULAR and low * _REGULAR >= dt:
                    tracks.regular_count[track, k] += 1
                    tracks.regular_sum[track, k] += dt
                tracks.last_dt[track, 1] = tracks.last_dt[track, 0]
                tracks.last_dt[track, 0] = dt
                # the thinned sample: when it is full, every second one goes and the stride doubles
                if nth & (tracks.stride[track] - 1) == 0:
                    tracks.sample[track, tracks.sample_n[track]] = dt
                    tracks.sample_n[track] += 1
                    if tracks.sample_n[track] == size:
                        for j in range(size // 2):
                            tracks.sample[track, j] = tracks.sample[track, 2 * j + 1]
                        tracks.sample_n[track] = size // 2
                        tracks.stride[track] *= 2
        # the arrival itself, at its place in the ring
        tracks.last_ns[track] = now_ns
        if rule.with_context:
            place = nth & (width - 1)
            tracks.ring_ns[track, place] = now_ns
            tracks.ring_payload[track, place] = arrivals.payload[at]
        nth += 1
        tracks.arrived[track] = nth
        # the frames after the first silence that waits are complete: copy them, and let the others move up
        if rule.with_context and due.n[track] and due.at[track, 0] == nth:
            slot = due.slot[track, 0]
            for j in range(width):
                found.after_ns[slot, j] = tracks.ring_ns[track, (nth + j) & (width - 1)]
                found.after_payload[slot, j] = tracks.ring_payload[track, (nth + j) & (width - 1)]
            due.n[track] -= 1
            for j in range(due.n[track]):
                due.at[track, j] = due.at[track, j + 1]
                due.slot[track, j] = due.slot[track, j + 1]
        # what is notable is learnt anew at each doubling
        if nth >= _LEARN_AFTER and nth & (nth - 1) == 0:
            learnt_ns = _limit(tracks.interval_count[track], rule.quantile, rule.factor, rule.edges_ns)
            tracks.notable_ns[track] = min(learnt_ns, tracks.always_ns[track])
    return len(arrivals.row), n_found
