"""The compiled way to remember arrivals: one pass in the order of time, without sorting."""

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array, UInt64Array
from busdoc.health.streams.interval import bin_edges_ns
from busdoc.health.streams.silence import CONTEXT, Silence
from busdoc.health.streams.track_columns import TrackColumns
from busdoc.health.streams.track_kernel import Arrivals, Due, Found, Remembered, Rule, take_arrivals

__all__ = ["take_long_block"]

_EDGES_NS: Float64Array = bin_edges_ns()
_MOST_AT_ONCE = 4096
"""Silences that one call of the kernel may find before they are put away."""


def take_long_block(tracks: TrackColumns, row: Int64Array, t_ns: Int64Array, data: UInt8Array) -> None:
    """Remember a block of arrivals; see `busdoc.health.streams.track.Tracks.feed`."""
    payload = np.ascontiguousarray(data).view(np.uint64).reshape(-1)  # eight bytes travel as one word
    arrivals = Arrivals(np.ascontiguousarray(row), np.ascontiguousarray(t_ns), payload)
    ring_ns, ring_data = _rings(tracks)
    remembered = _remembered(tracks, ring_ns, ring_data.view(np.uint64)[:, :, 0])
    first = 0
    while first < len(row):
        first = _take(tracks, first, arrivals, remembered)
    if tracks.with_context:
        _tails(tracks, ring_ns, ring_data)
        for track, waiting in tracks.pending.items():
            known = int(min(tracks.count[track], CONTEXT))
            for silence in waiting:
                arrived = int(tracks.count[track]) - silence.nth
                silence.after_ns = tracks.tail_ns[track, CONTEXT - min(arrived, known) :].copy()
                silence.after_data = tracks.tail_data[track, CONTEXT - min(arrived, known) :].copy()


def _take(tracks: TrackColumns, first: int, arrivals: Arrivals, remembered: Remembered) -> int:
    """Run the kernel until the arrivals end or its output is full; give the arrival to go on with."""
    # the silences that wait for frames after them come first in the output, so that the kernel can fill those in
    waiting = [(track, silence) for track, silences in tracks.pending.items() for silence in silences]
    waiting.sort(key=lambda one: one[1].nth)
    due = _due(len(tracks.count), waiting)
    depth = CONTEXT if tracks.with_context else 0
    found = _room(len(waiting) + _MOST_AT_ONCE, depth)
    floor_ns = np.pad(tracks.floors_ns(), (0, len(tracks.count) - tracks.n))
    rule = Rule(tracks.with_context, tracks.quantile, tracks.factor, _EDGES_NS, floor_ns)
    upto, n_found = take_arrivals(first, arrivals, rule, remembered, due, found, len(waiting))
    tracks.pending.clear()
    before_data, after_data = _bytes(found.before_payload), _bytes(found.after_payload)
    # put each away; one whose frames after it are not complete yet waits for the next block
    for slot in range(n_found):
        if slot < len(waiting):
            track, silence = waiting[slot]
        else:
            track = int(found.row[slot])
            silence = Silence.bare(int(found.from_ns[slot]), int(found.to_ns[slot]))
            if not tracks.keep(track, silence) or not depth:
                continue
            silence.nth = int(found.nth[slot])
            known = min(silence.nth, depth)
            silence.before_ns = found.before_ns[slot, depth - known :].copy()
            silence.before_data = before_data[slot, depth - known :].copy()
        if tracks.count[track] >= silence.nth + depth:
            silence.after_ns = found.after_ns[slot].copy()
            silence.after_data = after_data[slot].copy()
        else:
            tracks.pending.setdefault(track, []).append(silence)
    return int(upto)


def _remembered(tracks: TrackColumns, ring_ns: Int64Array, ring_payload: UInt64Array) -> Remembered:
    return Remembered(
        arrived=tracks.count,
        first_ns=tracks.first_ns,
        last_ns=tracks.last_ns,
        notable_ns=tracks.notable_ns,
        always_ns=tracks.always_ns,
        interval_count=tracks.interval_count,
        interval_sum=tracks.interval_sum,
        regular_count=tracks.regular_count,
        regular_sum=tracks.regular_sum,
        last_dt=tracks.last_dt,
        sample=tracks.sample,
        sample_n=tracks.sample_n,
        stride=tracks.stride,
        ring_ns=ring_ns,
        ring_payload=ring_payload,
    )


def _due(n_tracks: int, waiting: list[tuple[int, Silence]]) -> Due:
    at, slots = (np.zeros((n_tracks, CONTEXT + 1), np.int64) for _ in range(2))
    due = Due(at, slots, np.zeros(n_tracks, np.int64))
    for slot, (track, silence) in enumerate(waiting):
        due.at[track, due.n[track]] = silence.nth + CONTEXT
        due.slot[track, due.n[track]] = slot
        due.n[track] += 1
    return due


def _room(most: int, depth: int) -> Found:
    """Make room for so many silences, each with so many frames before and after it."""
    row, from_ns, to_ns, nth = (np.zeros(most, np.int64) for _ in range(4))
    before_ns, after_ns = (np.zeros((most, depth), np.int64) for _ in range(2))
    before, after = (np.zeros((most, depth), np.uint64) for _ in range(2))
    return Found(row, from_ns, to_ns, nth, before_ns, before, after_ns, after)


def _bytes(payload: UInt64Array) -> UInt8Array:
    """Give the (m, w, 8) bytes of payloads that travelled as (m, w) words."""
    return payload.view(np.uint8).reshape(*payload.shape, 8)


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
