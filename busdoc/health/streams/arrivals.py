"""Arrivals: when each stream arrived first, and again after each of its silences, with what followed.

What follows a silence is kept by the tracks (`busdoc.health.streams.track`); what came first is kept here. Bounded
memory; where the blocks are cut changes nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.health.controller import StreamKey
from busdoc.health.streams.silence import CONTEXT, Silence
from busdoc.health.streams.track_columns import TrackColumns

__all__ = ["FirstArrivals", "StreamArrivals", "arrivals_of"]

_FEW_ROWS = 4096


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreamArrivals:
    """What is known of the arrivals of one stream."""

    key: StreamKey
    count: int
    last_ns: int
    runs: tuple[Int64Array, ...]
    """The first arrivals of the capture and those after each kept silence, up to 16 each, ns, ascending."""
    before_ns: tuple[int, ...]
    """The last arrival before each run; for the first one the smallest number."""


class FirstArrivals:
    """Remembers the first arrivals of many streams, up to 16 of each."""

    def __init__(self) -> None:
        self._t_ns = np.zeros((0, CONTEXT), np.int64)
        self._n = np.zeros(0, np.int64)

    def feed(self, row: Int64Array, t_ns: Int64Array) -> None:
        """Take arrivals in the order of time.

        Parameters
        ----------
        row : (n,) the stream of each arrival
        t_ns : (n,) non-decreasing
        """
        if not len(row):
            return
        self._make_room(int(row.max()) + 1)
        done, n_at_once = 0, _FEW_ROWS
        while done < len(row):  # after the first frames of a block few streams want more, and little is sorted
            self._take(row[done : done + n_at_once], t_ns[done : done + n_at_once])
            done += n_at_once
            n_at_once *= 2

    def _take(self, row: Int64Array, t_ns: Int64Array) -> None:
        wanting = np.flatnonzero(self._n[row] < CONTEXT)
        if not len(wanting):
            return
        order = wanting[np.argsort(row[wanting], kind="stable")]
        rows, first, counts = np.unique(row[order], return_index=True, return_counts=True)
        for stream, at, n in zip(rows.tolist(), first.tolist(), counts.tolist(), strict=True):
            have = int(self._n[stream])
            take = min(n, CONTEXT - have)
            self._t_ns[stream, have : have + take] = t_ns[order[at : at + take]]
            self._n[stream] = have + take

    def of(self, row: int) -> Int64Array:
        """Give the first arrivals of a stream, ascending."""
        return self._t_ns[row, : self._n[row]].copy() if row < len(self._n) else np.empty(0, np.int64)

    def _make_room(self, n: int) -> None:
        if n <= len(self._n):
            return
        t_ns = np.zeros((max(n, 2 * len(self._n), CONTEXT), CONTEXT), np.int64)
        t_ns[: len(self._n)] = self._t_ns
        self._n = np.pad(self._n, (0, len(t_ns) - len(self._n)))
        self._t_ns = t_ns


def arrivals_of(
    keys: Sequence[StreamKey], tracks: TrackColumns, firsts: FirstArrivals
) -> dict[StreamKey, StreamArrivals]:
    """Give what is known of each stream so far.

    Parameters
    ----------
    keys : the stream of each row of `tracks` and `firsts`
    """
    return {key: _arrivals(row, key, tracks, firsts) for row, key in enumerate(keys)}


def _arrivals(row: int, key: StreamKey, tracks: TrackColumns, firsts: FirstArrivals) -> StreamArrivals:
    silences: list[Silence] = tracks.silences(row)
    opening = firsts.of(row)
    if silences:  # a run ends where the next silence begins
        opening = opening[opening <= silences[0].from_ns]
    ends = [silence.from_ns for silence in silences[1:]] + [np.iinfo(np.int64).max] * bool(silences)
    runs = [silence.after_ns[silence.after_ns <= end] for silence, end in zip(silences, ends, strict=True)]
    return StreamArrivals(
        key=key,
        count=int(tracks.count[row]),
        last_ns=int(tracks.last_ns[row]),
        runs=(opening, *runs),
        before_ns=(np.iinfo(np.int64).min, *(silence.from_ns for silence in silences)),
    )
