"""The compiled way to remember arrivals: one pass in the order of time, without sorting."""

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array, UInt64Array
from busdoc.health.streams.interval import bin_edges_ns
from busdoc.health.streams.silence import CONTEXT, Silence
from busdoc.health.streams.track_columns import TrackColumns
from busdoc.health.streams.track_kernel import take_arrivals

__all__ = ["take_long_block"]

_EDGES_NS: Float64Array = bin_edges_ns()
_MOST_AT_ONCE = 4096
"""Silences that one call of the kernel may find before they are put away."""


def take_long_block(tracks: TrackColumns, row: Int64Array, t_ns: Int64Array, data: UInt8Array) -> None:
    """Remember a block of arrivals; see `busdoc.health.streams.track.Tracks.feed`."""
    row, t_ns = np.ascontiguousarray(row), np.ascontiguousarray(t_ns)
    payload = np.ascontiguousarray(data).view(np.uint64).reshape(-1)  # eight bytes travel as one word
    ring_ns, ring_data = _rings(tracks)
    first = 0
    while first < len(row):
        first = _take(tracks, first, row, t_ns, payload, ring_ns, ring_data.view(np.uint64)[:, :, 0])
    if tracks.with_context:
        _tails(tracks, ring_ns, ring_data)
        for track, waiting in tracks.pending.items():
            known = int(min(tracks.count[track], CONTEXT))
            for silence in waiting:
                arrived = int(tracks.count[track]) - silence.nth
                silence.after_ns = tracks.tail_ns[track, CONTEXT - min(arrived, known) :].copy()
                silence.after_data = tracks.tail_data[track, CONTEXT - min(arrived, known) :].copy()


def _take(
    tracks: TrackColumns,
    first: int,
    row: Int64Array,
    t_ns: Int64Array,
    payload: UInt64Array,
    ring_ns: Int64Array,
    ring_payload: UInt64Array,
) -> int:
    """Run the kernel until the arrivals end or its output is full; give the arrival to go on with."""
    waiting = [(track, silence) for track, silences in tracks.pending.items() for silence in silences]
    waiting.sort(key=lambda one: one[1].nth)
    most = len(waiting) + _MOST_AT_ONCE
    depth = CONTEXT if tracks.with_context else 0
    due_at, due_slot = (np.zeros((len(tracks.count), CONTEXT + 1), np.int64) for _ in range(2))
    n_due = np.zeros(len(tracks.count), np.int64)
    out_row, out_from_ns, out_to_ns, out_nth = (np.zeros(most, np.int64) for _ in range(4))
    before_ns, after_ns = (np.zeros((most, depth), np.int64) for _ in range(2))
    before_data, after_data = (np.zeros((most, depth, 8), np.uint8) for _ in range(2))
    for slot, (track, silence) in enumerate(waiting):
        due_at[track, n_due[track]] = silence.nth + CONTEXT
        due_slot[track, n_due[track]] = slot
        n_due[track] += 1
    upto, n_out = take_arrivals(
        first,
        row,
        t_ns,
        payload,
        tracks.with_context,
        tracks.quantile,
        tracks.factor,
        _EDGES_NS,
        np.pad(tracks.floors_ns(), (0, len(tracks.count) - tracks.n)),
        tracks.count,
        tracks.first_ns,
        tracks.last_ns,
        tracks.notable_ns,
        tracks.interval_count,
        tracks.interval_sum,
        tracks.regular_count,
        tracks.regular_sum,
        tracks.last_dt,
        ring_ns,
        ring_payload,
        tracks.sample,
        tracks.sample_n,
        tracks.stride,
        due_at,
        due_slot,
        n_due,
        out_row,
        out_from_ns,
        out_to_ns,
        out_nth,
        before_ns,
        before_data.view(np.uint64).reshape(most, depth),
        after_ns,
        after_data.view(np.uint64).reshape(most, depth),
        len(waiting),
    )
    tracks.pending.clear()
    for slot in range(n_out):
        if slot < len(waiting):
            track, silence = waiting[slot]
        else:
            track = int(out_row[slot])
            silence = Silence.bare(int(out_from_ns[slot]), int(out_to_ns[slot]))
            if not tracks.keep(track, silence):
                continue
            if not depth:
                continue
            silence.nth = int(out_nth[slot])
            known = min(silence.nth, depth)
            silence.before_ns = before_ns[slot, depth - known :].copy()
            silence.before_data = before_data[slot, depth - known :].copy()
        if tracks.count[track] >= silence.nth + depth:
            silence.after_ns = after_ns[slot].copy()
            silence.after_data = after_data[slot].copy()
        else:
            tracks.pending.setdefault(track, []).append(silence)
    return int(upto)


def _rings(tracks: TrackColumns) -> tuple[Int64Array, UInt8Array]:
    """Turn the right-aligned tails into rings in which arrival k stands at k modulo their width."""
    if not tracks.with_context:
        return np.zeros((len(tracks.count), 1), np.int64), np.zeros((len(tracks.count), 1, 8), np.uint8)
    track, place = _places(tracks)
    ring_ns, ring_data = np.empty_like(tracks.tail_ns), np.empty_like(tracks.tail_data)
    ring_ns[track, place] = tracks.tail_ns
    ring_data[track, place] = tracks.tail_data
    return ring_ns, ring_data


def _tails(tracks: TrackColumns, ring_ns: Int64Array, ring_data: UInt8Array) -> None:
    track, place = _places(tracks)
    tracks.tail_ns[:] = ring_ns[track, place]
    tracks.tail_data[:] = ring_data[track, place]


def _places(tracks: TrackColumns) -> tuple[Int64Array, Int64Array]:
    """Give where in its ring each place of a tail is, as (n, 1) and (n, CONTEXT) indices."""
    track = np.arange(len(tracks.count))[:, None]
    return track, (tracks.count[:, None] + np.arange(CONTEXT)) % CONTEXT
