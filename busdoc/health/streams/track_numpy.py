"""The numpy way to remember arrivals: sort a block once by track, then work on whole columns."""

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array, UInt8Array
from busdoc.health.streams.interval import N_BINS, bin_edges_ns, interval_bin
from busdoc.health.streams.silence import CONTEXT, Silence
from busdoc.health.streams.track_columns import LEARN_AFTER, REGULAR, SAMPLE, TrackColumns

__all__ = ["take_block"]

_EDGES_NS: Float64Array = bin_edges_ns()


def take_block(tracks: TrackColumns, row: Int64Array, t_ns: Int64Array, data: UInt8Array | None) -> None:
    """Remember a block of arrivals; see `busdoc.health.streams.track.Tracks.feed`."""
    narrow = row.astype(np.uint8) if tracks.n <= 256 else row.astype(np.uint16)  # numpy sorts these by radix
    order = np.argsort(narrow, kind="stable")
    rows = row[order]
    t = t_ns[order]
    is_start = np.empty(len(rows), np.bool_)
    is_start[0] = True
    np.not_equal(rows[1:], rows[:-1], out=is_start[1:])
    start = np.flatnonzero(is_start)
    track = rows[start]  # (k,) tracks in this block
    length = np.diff(np.append(start, len(rows)))
    dt = np.empty(len(t), np.int64)
    dt[0] = 0
    np.subtract(t[1:], t[:-1], out=dt[1:])
    fresh = tracks.count[track] == 0
    dt[start] = np.where(fresh, 0, t[start] - tracks.last_ns[track])
    tracks.first_ns[track] = np.where(fresh, t[start], tracks.first_ns[track])
    first_of_all = start[fresh]

    bins = interval_bin(dt)
    notable = _notable(tracks, track, start, length, rows, dt, bins, first_of_all)
    _count_intervals(tracks, rows, dt, bins, start, first_of_all)
    if tracks.with_context and data is not None:
        _take_sample(tracks, track, start, length, dt)
        _extend_pending(tracks, track, start, length, order, t, data)
        _keep_with_context(tracks, notable, rows, start, t, dt, data, order)
        _keep_tail(tracks, track, start, length, t, data, order)
    else:
        for at in notable.tolist():
            tracks.keep(int(rows[at]), Silence.bare(int(t[at] - dt[at]), int(t[at])))
    tracks.count[track] += length
    tracks.last_ns[track] = t[start + length - 1]


def _notable(
    tracks: TrackColumns,
    track: Int64Array,
    start: Int64Array,
    length: Int64Array,
    rows: Int64Array,
    dt: Int64Array,
    bins: Int64Array,
    first_of_all: Int64Array,
) -> Int64Array:
    """Find the positions that end a notable silence, each track judged by what it had shown at fixed counts."""
    before = tracks.count[track]
    learns = _next_power(np.maximum(before, LEARN_AFTER - 1)) <= before + length  # a limit is due in this block
    limit = tracks.notable_ns[track].copy()
    found = [
        _learn(tracks, int(track[k]), int(before[k]), int(start[k]), int(length[k]), dt, bins)
        for k in np.flatnonzero(learns).tolist()
    ]
    limit[learns] = np.iinfo(np.int64).max  # those are judged already
    limit = np.maximum(limit, tracks.floors_ns()[track])
    long = dt > np.repeat(limit, length)
    long[first_of_all] = False
    found.append(np.flatnonzero(long))
    return np.sort(np.concatenate(found))


def _learn(
    tracks: TrackColumns, row: int, before: int, start: int, length: int, dt: Int64Array, bins: Int64Array
) -> Int64Array:
    """Judge one track's intervals of a block in which its limit changes at one or more counts."""
    counts = tracks.interval_count[row].copy()
    found: list[Int64Array] = []
    at = 0
    while at < length:
        arrived = before + at
        due = int(_next_power(np.array([max(arrived, LEARN_AFTER - 1)]))[0]) - before  # arrivals until then
        upto = min(length, due)
        piece = slice(start + at, start + upto)
        long = np.flatnonzero(dt[piece] > tracks.notable_ns[row]) + piece.start
        if arrived == 0:
            long = long[long > start]
        found.append(long)
        counted = bins[piece] if arrived else bins[piece][1:]
        counts += np.bincount(counted, minlength=N_BINS)
        if upto == due:
            upto_bin = int(np.searchsorted(np.cumsum(counts), tracks.quantile * counts.sum()))
            tracks.notable_ns[row] = min(int(tracks.factor * _EDGES_NS[upto_bin + 1]), tracks.always_ns[row])
        at = upto
    return np.concatenate(found)


def _count_intervals(
    tracks: TrackColumns,
    rows: Int64Array,
    dt: Int64Array,
    bins: Int64Array,
    start: Int64Array,
    first_of_all: Int64Array,
) -> None:
    cell = rows * N_BINS + bins
    counted = np.ones(len(rows), np.bool_)
    counted[first_of_all] = False
    _add_at(tracks.interval_count, cell, counted, None)
    _add_at(tracks.interval_sum, cell, counted, dt)
    if not tracks.with_context:
        return
    dt1, dt2 = np.empty_like(dt), np.empty_like(dt)
    dt1[1:], dt2[2:] = dt[:-1], dt[:-2]
    second = start + 1
    lone = np.append(start[1:], len(rows)) - start == 1
    track = rows[start]
    dt1[start], dt2[start] = tracks.last_dt[track, 0], tracks.last_dt[track, 1]
    dt2[second[~lone]] = tracks.last_dt[track[~lone], 0]
    wide = dt * REGULAR
    low, high = np.minimum(dt1, dt2), np.maximum(dt1, dt2)
    regular = counted & (low > 0) & (high <= wide) & (low * REGULAR >= dt)
    _add_at(tracks.regular_count, cell, regular, None)
    _add_at(tracks.regular_sum, cell, regular, dt)
    end = np.append(start[1:], len(rows)) - 1
    tracks.last_dt[track, 0], tracks.last_dt[track, 1] = dt[end], dt1[end]


def _take_sample(
    tracks: TrackColumns, track: Int64Array, start: Int64Array, length: Int64Array, dt: Int64Array
) -> None:
    """Keep every stride-th interval; a full sample drops every other one and doubles its stride."""
    before = tracks.count[track]
    for k in range(len(track)):
        row, nth = int(track[k]), int(before[k])
        n, at = int(length[k]), 0
        while True:
            stride, known = int(tracks.stride[row]), int(tracks.sample_n[row])
            skip = (-(nth + at)) % stride if nth + at else stride  # interval 0 does not exist
            picked = dt[start[k] + at + skip : start[k] + n : stride][: SAMPLE - known]
            tracks.sample[row, known : known + len(picked)] = picked
            known += len(picked)
            tracks.sample_n[row] = known
            if known < SAMPLE:
                break
            at += skip + (len(picked) - 1) * stride + 1
            # position i holds interval (i + 1) * stride: the even ones stand at odd positions
            tracks.sample[row, : SAMPLE // 2] = tracks.sample[row, 1::2].copy()
            tracks.sample_n[row] = SAMPLE // 2
            tracks.stride[row] = 2 * stride


def _keep_with_context(
    tracks: TrackColumns,
    notable: Int64Array,
    rows: Int64Array,
    start: Int64Array,
    t: Int64Array,
    dt: Int64Array,
    data: UInt8Array,
    order: Int64Array,
) -> None:
    run = np.searchsorted(start, notable, side="right") - 1
    ends = np.append(start[1:], len(rows))
    for at, k in zip(notable.tolist(), run.tolist(), strict=True):
        row, first, end = int(rows[at]), int(start[k]), int(ends[k])
        arrived = int(tracks.count[row])
        in_block = np.arange(max(first, at - CONTEXT), at)
        from_tail = min(CONTEXT - len(in_block), arrived)
        tail = slice(CONTEXT - from_tail, CONTEXT)
        after = np.arange(at, min(end, at + CONTEXT))
        silence = Silence(
            from_ns=int(t[at] - dt[at]),
            to_ns=int(t[at]),
            nth=arrived + at - first,
            before_ns=np.concatenate((tracks.tail_ns[row, tail], t[in_block])),
            before_data=np.concatenate((tracks.tail_data[row, tail], data[order[in_block]])),
            after_ns=t[after],
            after_data=data[order[after]],
        )
        if tracks.keep(row, silence) and len(after) < CONTEXT:
            tracks.pending.setdefault(row, []).append(silence)


def _extend_pending(
    tracks: TrackColumns,
    track: Int64Array,
    start: Int64Array,
    length: Int64Array,
    order: Int64Array,
    t: Int64Array,
    data: UInt8Array,
) -> None:
    for k in range(len(track)) if tracks.pending else ():
        row = int(track[k])
        waiting = tracks.pending.pop(row, None)
        if waiting is None:
            continue
        piece = slice(int(start[k]), int(start[k]) + min(int(length[k]), CONTEXT))
        still = [silence for silence in waiting if silence.extend(t[piece], data[order[piece]])]
        if still:
            tracks.pending[row] = still


def _keep_tail(
    tracks: TrackColumns,
    track: Int64Array,
    start: Int64Array,
    length: Int64Array,
    t: Int64Array,
    data: UInt8Array,
    order: Int64Array,
) -> None:
    back = np.arange(-CONTEXT, 0)
    place = length[:, None] + back  # (k, CONTEXT) position in this block; below zero: in the tail so far
    in_block = place >= 0
    at = np.where(in_block, start[:, None] + place, 0)
    in_tail = np.where(in_block, 0, CONTEXT + place)
    tracks.tail_ns[track] = np.where(in_block, t[at], tracks.tail_ns[track[:, None], in_tail])
    tracks.tail_data[track] = np.where(in_block[:, :, None], data[order[at]], tracks.tail_data[track[:, None], in_tail])


def _next_power(count: Int64Array) -> Int64Array:
    """Give the smallest power of two above each count."""
    _, exponent = np.frexp(count.astype(np.float64))
    return np.left_shift(np.int64(1), exponent.astype(np.int64))


def _add_at(table: Int64Array, cell: Int64Array, wanted: BoolArray, weight: Int64Array | None) -> None:
    """Add one, or the weight, to the cells of a table; exact integers either way."""
    flat = table.reshape(-1)
    at = cell[wanted]
    if not len(at):
        return
    if len(at) < 4096 or weight is not None:
        np.add.at(flat, at, 1 if weight is None else weight[wanted])
    else:
        counts = np.bincount(at)
        flat[: len(counts)] += counts
