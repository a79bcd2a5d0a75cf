"""Tracks: what is remembered of many sequences of arrivals, in bounded memory, whatever the cuts.

A track is one stream, all frames of one controller, or all frames of one channel. Of each track this keeps counts,
first and last arrival, histograms of the intervals, a thinned sample of them, and its longest silences with the frames
around them. All of that depends only on the track's own arrivals, never on how they were cut into blocks, so a period
that is learnt late still judges the start of the capture.
"""

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.health.streams.track_columns import ALWAYS_NS, SAMPLE, TrackColumns
from busdoc.health.streams.track_numpy import take_block
from busdoc.kernels.choice import repays_by_frames

__all__ = ["SAMPLE", "Tracks"]

_KERNEL = "busdoc.health.streams.track_kernel"
_COMPILED_FROM_ROWS = 20_000
"""A live bus sends small blocks: it must never wait for the kernel to load."""
_NO_DATA = np.empty((0, 8), np.uint8)


class Tracks(TrackColumns):
    """Many tracks side by side, fed with blocks of arrivals.

    Parameters
    ----------
    with_context, quantile, factor, always_ns : see `TrackColumns`
    compiled : use the compiled kernel always or never; None: for large blocks of long captures
    """

    def __init__(
        self,
        *,
        with_context: bool,
        quantile: float,
        factor: float,
        always_ns: int = ALWAYS_NS,
        compiled: bool | None = None,
    ) -> None:
        super().__init__(with_context=with_context, quantile=quantile, factor=factor, always_ns=always_ns)
        self._compiled = compiled
        self._n_seen = 0

    def feed(self, row: Int64Array, t_ns: Int64Array, data: UInt8Array | None = None) -> None:
        """Take arrivals in the order of time.

        Parameters
        ----------
        row : (n,) the track of each arrival
        t_ns : (n,) non-decreasing
        data : (n, 8) payloads, where context is kept
        """
        self._n_seen += len(row)
        if not len(row):
            return
        compiled = self._compiled
        if compiled is None:
            compiled = len(row) >= _COMPILED_FROM_ROWS and repays_by_frames(self._n_seen, _KERNEL)
        if compiled:
            from busdoc.health.streams.track_compiled import take_long_block  # loads LLVM: 30 ms

            take_long_block(self, row, t_ns, _NO_DATA if data is None else data)
        else:
            take_block(self, row, t_ns, data)
