"""The wire itself, second by second: load from true frame lengths, error frames, error states.

Takes blocks of frames in the order of time and may be cut anywhere; gives one `WireLoad` a channel. Long recordings
are summed by a compiled kernel on two threads, short ones and live buses by numpy, with equal results.
"""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array, distinct
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.summary import WireLoad
from busdoc.health.wire.bitrate import likely_bitrate
from busdoc.health.wire.error_state import ErrorStates
from busdoc.health.wire.frame_length import frame_bits
from busdoc.kernels.choice import repays_by_frames
from busdoc.kernels.cores import cores, threads
from busdoc.times import SECOND_NS

__all__ = ["WireWatch"]

_KERNEL = "busdoc.health.wire.wire_kernel"
_LONG_BLOCK = 20_000
"""A live bus comes in small blocks; loading the kernel in the middle of a session would stall it."""
_ROWS_A_CALL = 1 << 18
_MOST_SUMS = 1 << 16
_SAMPLE_FRAMES = 20_000
_MOST_FILLED_S = 1_000_000
"""A silence longer than eleven days is a clock that jumped; its empty seconds are not listed."""

_CHANNEL, _SECOND_NO, _FRAMES, _ERRORS, _NOMINAL, _DATA = range(6)


class WireWatch:
    """Sums up what each channel carried.

    Parameters
    ----------
    bitrates : by channel, the nominal and the data bit rate in bit/s; None, or a channel left out: not known, and
        nothing is guessed: that channel's load is NaN
    threads : how many threads a long block is shared between; None: two where the computer has them
    compiled : whether the compiled kernel is used; None: for long blocks of long captures
    """

    def __init__(
        self,
        bitrates: Mapping[int, tuple[int | None, int | None]],
        *,
        threads: int | None = None,
        compiled: bool | None = None,
    ) -> None:
        self._bitrates = dict(bitrates)
        self._compiled = compiled
        self._threads = threads or min(2, cores())
        self._zero_ns: int | None = None
        self._last_ns = 0
        self._n_frames = 0
        self._sums: list[Int64Array] = []
        self._n_sums = 0
        self._error_states = ErrorStates()
        self._samples: dict[int, _Sample] = {}

    def feed(self, block: FrameBlock) -> None:
        """Take the next frames."""
        if not len(block):
            return
        if self._zero_ns is None:
            self._zero_ns = int(block.t_ns[0])
        self._last_ns = max(self._last_ns, int(block.t_ns[-1]))
        self._n_frames += len(block)
        compiled = self._compiled
        if compiled is None:
            compiled = len(block) >= _LONG_BLOCK and repays_by_frames(self._n_frames, _KERNEL)
        sums = _compiled_sums(block, self._zero_ns, self._threads) if compiled else _numpy_sums(block, self._zero_ns)
        self._add(sums)
        if sums[:, _ERRORS].any():
            self._error_states.feed(block)
        self._sample(block, distinct(sums[:, _CHANNEL]).tolist())

    def close(self, until_ns: int | None = None) -> tuple[WireLoad, ...]:
        """Give what is known so far, by channel; feeding may go on afterwards.

        Parameters
        ----------
        until_ns : how far the capture reaches; None: to its last frame. Only seconds that it covers whole count for
            the mean.
        """
        self._compact()
        if self._zero_ns is None or not self._sums:
            return ()
        until_ns = max(self._last_ns, self._last_ns if until_ns is None else until_ns)
        sums = self._sums[0]
        channels = distinct(sums[:, _CHANNEL]).tolist()
        return tuple(self._load(channel, sums[sums[:, _CHANNEL] == channel], until_ns) for channel in channels)

    def know_bitrates(self, bitrates: Mapping[int, tuple[int | None, int | None]]) -> None:
        """Take bit rates that became known later: a map names its channels, a capture numbers them while it is read."""
        self._bitrates.update(bitrates)

    def _add(self, sums: Int64Array) -> None:
        self._sums.append(sums)
        self._n_sums += len(sums)
        if self._n_sums > _MOST_SUMS and len(self._sums) > 1:
            self._compact()

    def _compact(self) -> None:
        if self._sums:
            self._sums = [_merged(np.concatenate(self._sums))]
            self._n_sums = len(self._sums[0]) // 2  # so that merging comes at doubled sizes, not at every block

    def _sample(self, block: FrameBlock, channels: list[int]) -> None:
        """Keep the first frames of each channel whose rate nobody gave, to tell its bit rate from."""
        for channel in channels:
            if self._bitrates.get(channel, (None, None))[0] is None:
                sample = self._samples.setdefault(channel, _Sample())
                if sample.n_wanted:
                    sample.take(block, np.flatnonzero(block.channel == channel))

    def _load(self, channel: int, sums: Int64Array, until_ns: int) -> WireLoad:
        nominal_rate, data_rate = self._bitrates.get(channel, (None, None))
        zero_ns = self._zero_ns or 0
        seconds, columns = _without_holes(sums)
        nominal, data = columns[:, 2], columns[:, 3]
        if nominal_rate is not None and data_rate is not None:
            bits = nominal + (data * nominal_rate + data_rate // 2) // data_rate
        else:
            bits = nominal + data
        load = np.full(len(bits), np.nan)
        if nominal_rate is not None:
            load = bits / nominal_rate
            if data_rate is None:
                load[data > 0] = np.nan
        sample = self._samples.get(channel)
        likely = sample.bitrate() if sample is not None else None
        n_whole_s = (until_ns - zero_ns) // SECOND_NS
        return WireLoad(
            channel=channel,
            bitrate=nominal_rate,
            second_ns=zero_ns + seconds * SECOND_NS,
            frames=columns[:, 0],
            error_frames=columns[:, 1],
            bits=bits,
            load=load,
            mean_load=_mean(load, seconds, n_whole_s, until_ns - zero_ns),
            peak_load=None if not len(load) or np.isnan(load).any() else float(load.max()),
            error_states=self._error_states.states(channel),
            error_kinds=self._error_states.kinds(channel),
            error_counters=self._error_states.counters(channel),
            likely_bitrate=likely,
            warnings=self._warnings(channel, load, data, likely),
        )

    def _warnings(self, channel: int, load: Float64Array, data: Int64Array, likely: int | None) -> tuple[str, ...]:
        nominal_rate, data_rate = self._bitrates.get(channel, (None, None))
        warnings = []
        n_over = int(np.count_nonzero(load > 1.0))
        if n_over:
            warnings.append(f"{n_over} seconds carry more bits than {nominal_rate} bit/s allow: check the bit rate")
        if nominal_rate is not None and data_rate is None and data.any():
            warnings.append("frames switched to a data bit rate that is not known: the load of those seconds is open")
        if nominal_rate is None and likely is not None:
            warnings.append(f"the bit rate was not given; the traffic speaks for {likely} bit/s")
        if n_beyond := self._error_states.n_beyond(channel):
            warnings.append(f"{n_beyond} more error states are not listed")
        return tuple(warnings)


class _Sample:
    """The first frames of a channel."""

    def __init__(self) -> None:
        self.n_wanted = _SAMPLE_FRAMES
        self._pieces: list[tuple[Int64Array, Int64Array, BoolArray]] = []

    def take(self, block: FrameBlock, rows: Int64Array) -> None:
        piece = block.take(rows[: self.n_wanted])
        self.n_wanted -= len(piece)
        bits = frame_bits(piece)
        steady = (piece.flags & (FrameFlag.ERROR | FrameFlag.BRS)) == 0
        self._pieces.append((piece.t_ns, bits.nominal, steady))

    def bitrate(self) -> int | None:
        t_ns, bits, steady = (np.concatenate(columns) for columns in zip(*self._pieces, strict=True))
        return likely_bitrate(t_ns, bits, steady)


def _numpy_sums(block: FrameBlock, zero_ns: int) -> Int64Array:
    """Give (m, 6) sums by channel and second."""
    bits = frame_bits(block)
    is_error = (block.flags & FrameFlag.ERROR) != 0
    rows = np.empty((len(block), 6), np.int64)
    rows[:, _CHANNEL] = block.channel
    rows[:, _SECOND_NO] = (block.t_ns - zero_ns) // SECOND_NS
    rows[:, _FRAMES] = ~is_error
    rows[:, _ERRORS] = is_error
    rows[:, _NOMINAL] = bits.nominal
    rows[:, _DATA] = bits.data
    return _merged(rows)


def _compiled_sums(block: FrameBlock, zero_ns: int, n_threads: int) -> Int64Array:
    """Give the sums by the compiled kernel; a channel's second may stand in several rows."""
    from busdoc.health.wire.wire_kernel import ROOM, Frames, sum_by_second

    words = np.ascontiguousarray(block.data).reshape(-1).view("<i8").astype(np.int64, copy=False)
    frames = Frames(
        t_ns=np.ascontiguousarray(block.t_ns),
        channel=np.ascontiguousarray(block.channel),
        id=np.ascontiguousarray(block.id),
        flags=np.ascontiguousarray(block.flags),
        n_bytes=np.ascontiguousarray(block.length),
        words=words,
        long_row=np.ascontiguousarray(block.long.row),
        long_start=np.ascontiguousarray(block.long.start),
        long_bytes=np.ascontiguousarray(block.long.bytes),
    )

    def work(ends: tuple[int, int]) -> Int64Array:
        first, last = ends
        n_spans = int(block.t_ns[last - 1] - block.t_ns[first]) // SECOND_NS + 2
        sums = np.empty((min(last - first, n_spans * 256), 6), np.int64)
        n_sums = sum_by_second(frames, first, last, zero_ns, sums, np.empty(ROOM, np.int64))
        return sums[:n_sums].copy()

    n_pieces = n_threads * -(-len(block) // (n_threads * _ROWS_A_CALL))
    pieces = list(pairwise(len(block) * k // n_pieces for k in range(n_pieces + 1)))
    if n_threads == 1:
        return np.concatenate([work(ends) for ends in pieces])
    with threads(n_threads, "wire") as pool:
        return np.concatenate(list(pool.map(work, pieces)))


def _merged(sums: Int64Array) -> Int64Array:
    """Add up the rows that are of one channel and second; ascending by channel, then second."""
    in_order = np.lexsort((sums[:, _SECOND_NO], sums[:, _CHANNEL]))
    sums = sums[in_order]
    begins = np.ones(len(sums), np.bool_)
    begins[1:] = (np.diff(sums[:, :_FRAMES], axis=0) != 0).any(axis=1)
    first = np.flatnonzero(begins)
    merged = np.add.reduceat(sums, first, axis=0)
    merged[:, :_FRAMES] = sums[first, :_FRAMES]
    return merged


def _without_holes(sums: Int64Array) -> tuple[Int64Array, Int64Array]:
    """Give the seconds of one channel with the silent ones between, and (n, 4) frames, errors, nominal, data bits."""
    heard = sums[:, _SECOND_NO]
    step = np.diff(heard, prepend=heard[0] - 1)
    step[step > _MOST_FILLED_S] = 1
    row = np.cumsum(step) - 1
    columns = np.zeros((int(row[-1]) + 1, 4), np.int64)
    columns[row] = sums[:, _FRAMES:]
    before = np.searchsorted(row, np.arange(len(columns)), side="right") - 1
    seconds = heard[before] + np.arange(len(columns)) - row[before]
    return seconds, columns


def _mean(load: Float64Array, seconds: Int64Array, n_whole_s: int, span_ns: int) -> float | None:
    """Average over the seconds that the capture covers whole; of a shorter capture, over its span."""
    if n_whole_s > 0:
        covered = load[seconds < n_whole_s]
        mean = float(covered.sum()) / n_whole_s
    elif span_ns > 0:
        mean = float(load.sum()) * SECOND_NS / span_ns
    else:
        return None
    return None if np.isnan(mean) else mean
