"""Tracks: what is remembered of many sequences of arrivals, in bounded memory, whatever the cuts.

A track is one stream, all frames of one controller, or all frames of one channel. Of each track this keeps counts,
first and last arrival, histograms of the intervals, a thinned sample of them, and its longest silences with the frames
around them. All of that depends only on the track's own arrivals, never on how they were cut into blocks, so a period
that is learnt late still judges the start of the capture.
"""

import heapq

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array
from busdoc.health.interval import N_BINS, bin_edges_ns, interval_bin
from busdoc.health.silence import CONTEXT, Silence

__all__ = ["SAMPLE", "Tracks"]

SAMPLE = 256
"""Intervals kept in the thinned sample of a track, at most."""

_MOST_SILENCES = 512
"""Silences kept for each track: the longest ones."""
_LEARN_AFTER = 16
"""Until this many arrivals every interval counts as notable, since nothing is known yet."""
_REGULAR = 1.4
"""An interval is regular when the two before it are within this factor of it."""
_NEVER = np.iinfo(np.int64).min
_EDGES_NS: Float64Array = bin_edges_ns()
_NO_TIMES = np.empty(0, np.int64)
_NO_DATA = np.empty((0, 8), np.uint8)


class Tracks:
    """Many tracks side by side, as columns.

    Parameters
    ----------
    with_context : keep regular intervals, samples and the frames around silences (streams), or the silences alone
    quantile, factor : a silence is notable when it is longer than `factor` times this quantile of the intervals so far
    """

    def __init__(self, *, with_context: bool, quantile: float, factor: float) -> None:
        self._with_context = with_context
        self._quantile = quantile
        self._factor = factor
        self.n = 0
        self.count = np.zeros(0, np.int64)
        """(n,) arrivals."""
        self.first_ns = np.zeros(0, np.int64)
        self.last_ns = np.zeros(0, np.int64)
        self.notable_ns = np.zeros(0, np.int64)
        """(n,) silences longer than this are kept."""
        self.interval_count = np.zeros((0, N_BINS), np.int64)
        """(n, N_BINS) intervals by length."""
        self.interval_sum = np.zeros((0, N_BINS), np.int64)
        """(n, N_BINS) sum of the intervals in each bin, ns."""
        self.regular_count = np.zeros((0, N_BINS), np.int64)
        self.regular_sum = np.zeros((0, N_BINS), np.int64)
        """The same of the intervals whose two predecessors were like them."""
        self.last_dt = np.zeros((0, 2), np.int64)
        """(n, 2) the last interval and the one before it, 0 where there is none."""
        self.tail_ns = np.zeros((0, CONTEXT), np.int64)
        """(n, CONTEXT) the last arrivals, right aligned."""
        self.tail_data = np.zeros((0, CONTEXT, 8), np.uint8)
        self._heaps: list[list[tuple[int, int, Silence]]] = []
        self._sample: list[Int64Array] = []
        self._sample_n: list[int] = []
        self._stride = np.zeros(0, np.int64)
        self._pending: dict[int, list[Silence]] = {}

    def add(self, n_new: int) -> None:
        """Make room for new tracks, numbered on from the last."""
        self.n += n_new
        while len(self._heaps) < self.n:
            self._heaps.append([])
            self._sample.append(_NO_TIMES)
            self._sample_n.append(0)
        if self.n > len(self.count):
            room = max(self.n, 2 * len(self.count), 16)
            for name in (
                "count",
                "first_ns",
                "last_ns",
                "notable_ns",
                "_stride",
                "interval_count",
                "interval_sum",
                *(("regular_count", "regular_sum", "last_dt", "tail_ns", "tail_data") if self._with_context else ()),
            ):
                old = getattr(self, name)
                new = np.zeros((room, *old.shape[1:]), old.dtype)
                new[: len(old)] = old
                if name == "_stride":
                    new[len(old) :] = 1
                setattr(self, name, new)

    def feed(self, row: Int64Array, t_ns: Int64Array, data: UInt8Array | None = None) -> None:
        """Take arrivals in the order of time.

        Parameters
        ----------
        row : (n,) the track of each arrival
        t_ns : (n,) non-decreasing
        data : (n, 8) payloads, where context is kept
        """
        if not len(row):
            return
        narrow = row.astype(np.uint8) if self.n <= 256 else row.astype(np.uint16)  # numpy sorts these by radix
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
        fresh = self.count[track] == 0
        dt[start] = np.where(fresh, 0, t[start] - self.last_ns[track])
        self.first_ns[track] = np.where(fresh, t[start], self.first_ns[track])
        first_of_all = start[fresh]

        bins = interval_bin(dt)
        notable = self._notable(track, start, length, rows, dt, bins, first_of_all)
        self._count_intervals(rows, dt, bins, start, first_of_all)
        if self._with_context and data is not None:
            self._take_sample(track, start, length, dt)
            self._extend_pending(track, start, length, order, t, data)
            self._keep_with_context(notable, rows, start, t, dt, data, order)
            self._keep_tail(track, start, length, t, data, order)
        else:
            for at in notable.tolist():
                self._keep(int(rows[at]), Silence.bare(int(t[at] - dt[at]), int(t[at])))
        self.count[track] += length
        self.last_ns[track] = t[start + length - 1]

    def silences(self, row: int) -> list[Silence]:
        """Give the kept silences of a track that have ended, ascending."""
        return sorted((silence for _, _, silence in self._heaps[row]), key=lambda silence: silence.from_ns)

    def longer_than(self, row: int, limit_ns: int) -> list[Silence]:
        """Give the kept silences longer than a limit, ascending."""
        found = [silence for lasts_ns, _, silence in self._heaps[row] if lasts_ns > limit_ns]
        found.sort(key=lambda silence: silence.from_ns)
        return found

    def open_silence(self, row: int) -> Silence:
        """Give the silence that follows the last arrival."""
        if not self._with_context:
            times, data = _NO_TIMES, _NO_DATA
        else:
            known = int(min(self.count[row], CONTEXT))
            times = self.tail_ns[row, CONTEXT - known :].copy()
            data = self.tail_data[row, CONTEXT - known :].copy()
        return Silence(
            from_ns=int(self.last_ns[row]),
            to_ns=None,
            nth=int(self.count[row]),
            before_ns=times,
            before_data=data,
            after_ns=_NO_TIMES,
            after_data=_NO_DATA,
        )

    def sample_ns(self, row: int) -> Int64Array:
        """Give the thinned sample of the track's intervals, in the order of time."""
        return self._sample[row][: self._sample_n[row]]

    # How silences are found

    def _notable(
        self,
        track: Int64Array,
        start: Int64Array,
        length: Int64Array,
        rows: Int64Array,
        dt: Int64Array,
        bins: Int64Array,
        first_of_all: Int64Array,
    ) -> Int64Array:
        """Find the positions that end a notable silence, each track judged by what it had shown at fixed counts."""
        before = self.count[track]
        learns = _next_power(np.maximum(before, _LEARN_AFTER - 1)) <= before + length  # a limit is due in this block
        limit = self.notable_ns[track].copy()
        found = [
            self._learn(int(track[k]), int(before[k]), int(start[k]), int(length[k]), dt, bins)
            for k in np.flatnonzero(learns).tolist()
        ]
        limit[learns] = np.iinfo(np.int64).max  # those are judged already
        floor = np.array([h[0][0] if len(h) >= _MOST_SILENCES else 0 for h in map(self._heaps.__getitem__, track)])
        limit = np.maximum(limit, floor)
        long = dt > np.repeat(limit, length)
        long[first_of_all] = False
        found.append(np.flatnonzero(long))
        return np.sort(np.concatenate(found))

    def _learn(self, row: int, before: int, start: int, length: int, dt: Int64Array, bins: Int64Array) -> Int64Array:
        """Judge one track's intervals of a block in which its limit changes at one or more counts."""
        counts = self.interval_count[row].copy()
        found: list[Int64Array] = []
        at = 0
        while at < length:
            arrived = before + at
            due = int(_next_power(np.array([max(arrived, _LEARN_AFTER - 1)]))[0]) - before  # arrivals until then
            upto = min(length, due)
            piece = slice(start + at, start + upto)
            long = np.flatnonzero(dt[piece] > self.notable_ns[row]) + piece.start
            if arrived == 0:
                long = long[long > start]
            found.append(long)
            counted = bins[piece] if arrived else bins[piece][1:]
            counts += np.bincount(counted, minlength=N_BINS)
            if upto == due:
                upto_bin = int(np.searchsorted(np.cumsum(counts), self._quantile * counts.sum()))
                self.notable_ns[row] = int(self._factor * _EDGES_NS[upto_bin + 1])
            at = upto
        return np.concatenate(found)

    def _count_intervals(
        self, rows: Int64Array, dt: Int64Array, bins: Int64Array, start: Int64Array, first_of_all: Int64Array
    ) -> None:
        cell = rows * N_BINS + bins
        counted = np.ones(len(rows), np.bool_)
        counted[first_of_all] = False
        _add_at(self.interval_count, cell, counted, None)
        _add_at(self.interval_sum, cell, counted, dt)
        if not self._with_context:
            return
        dt1, dt2 = np.empty_like(dt), np.empty_like(dt)
        dt1[1:], dt2[2:] = dt[:-1], dt[:-2]
        second = start + 1
        lone = np.append(start[1:], len(rows)) - start == 1
        track = rows[start]
        dt1[start], dt2[start] = self.last_dt[track, 0], self.last_dt[track, 1]
        dt2[second[~lone]] = self.last_dt[track[~lone], 0]
        wide = dt * _REGULAR
        low, high = np.minimum(dt1, dt2), np.maximum(dt1, dt2)
        regular = counted & (low > 0) & (high <= wide) & (low * _REGULAR >= dt)
        _add_at(self.regular_count, cell, regular, None)
        _add_at(self.regular_sum, cell, regular, dt)
        end = np.append(start[1:], len(rows)) - 1
        self.last_dt[track, 0], self.last_dt[track, 1] = dt[end], dt1[end]

    def _take_sample(self, track: Int64Array, start: Int64Array, length: Int64Array, dt: Int64Array) -> None:
        """Keep every stride-th interval; a full sample drops every other one and doubles its stride."""
        before = self.count[track]
        for k in range(len(track)):
            row, nth = int(track[k]), int(before[k])
            n, at = int(length[k]), 0
            while True:
                stride = int(self._stride[row])
                skip = (-(nth + at)) % stride if nth + at else stride  # interval 0 does not exist
                room = SAMPLE - self._sample_n[row]
                picked = dt[start[k] + at + skip : start[k] + n : stride][:room]
                if not len(self._sample[row]):
                    self._sample[row] = np.empty(SAMPLE, np.int64)
                self._sample[row][self._sample_n[row] : self._sample_n[row] + len(picked)] = picked
                self._sample_n[row] += len(picked)
                if self._sample_n[row] < SAMPLE:
                    break
                at += skip + (len(picked) - 1) * stride + 1
                # sample position i holds interval (i + 1) * stride: the even intervals stand at odd positions
                half = self._sample[row][1::2].copy()
                self._sample[row][: len(half)] = half
                self._sample_n[row] = len(half)
                self._stride[row] = 2 * stride

    # What is kept of them

    def _keep(self, row: int, silence: Silence) -> bool:
        heap = self._heaps[row]
        lasts_ns = (silence.to_ns or 0) - silence.from_ns
        entry = (lasts_ns, -silence.from_ns, silence)
        if len(heap) < _MOST_SILENCES:
            heapq.heappush(heap, entry)
            return True
        if entry[:2] <= heap[0][:2]:
            return False
        heapq.heapreplace(heap, entry)
        return True

    def _keep_with_context(
        self,
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
            arrived = int(self.count[row])
            in_block = np.arange(max(first, at - CONTEXT), at)
            from_tail = min(CONTEXT - len(in_block), arrived)
            tail = slice(CONTEXT - from_tail, CONTEXT)
            after = np.arange(at, min(end, at + CONTEXT))
            silence = Silence(
                from_ns=int(t[at] - dt[at]),
                to_ns=int(t[at]),
                nth=arrived + at - first,
                before_ns=np.concatenate((self.tail_ns[row, tail], t[in_block])),
                before_data=np.concatenate((self.tail_data[row, tail], data[order[in_block]])),
                after_ns=t[after],
                after_data=data[order[after]],
            )
            if self._keep(row, silence) and len(after) < CONTEXT:
                self._pending.setdefault(row, []).append(silence)

    def _extend_pending(
        self,
        track: Int64Array,
        start: Int64Array,
        length: Int64Array,
        order: Int64Array,
        t: Int64Array,
        data: UInt8Array,
    ) -> None:
        for k in range(len(track)) if self._pending else ():
            row = int(track[k])
            waiting = self._pending.pop(row, None)
            if waiting is None:
                continue
            piece = slice(int(start[k]), int(start[k]) + min(int(length[k]), CONTEXT))
            still = [silence for silence in waiting if silence.extend(t[piece], data[order[piece]])]
            if still:
                self._pending[row] = still

    def _keep_tail(
        self,
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
        self.tail_ns[track] = np.where(in_block, t[at], self.tail_ns[track[:, None], in_tail])
        self.tail_data[track] = np.where(in_block[:, :, None], data[order[at]], self.tail_data[track[:, None], in_tail])


def _next_power(count: Int64Array) -> Int64Array:
    """Give the smallest power of two above each count."""
    _, exponent = np.frexp(count.astype(np.float64))
    return np.left_shift(np.int64(1), exponent.astype(np.int64))


def _add_at(
    table: Int64Array, cell: Int64Array, wanted: np.ndarray[tuple[int], np.dtype[np.bool_]], weight: Int64Array | None
) -> None:
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
