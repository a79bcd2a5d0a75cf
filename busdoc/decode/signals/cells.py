"""The lowest, highest and last value of signals in each of many cells of time, in one pass over the frames.

Cells have any edges, so stretches that end at given instants can be put together from whole ones. Which signals and
which cells is settled beforehand; memory is 12 bytes a signal and cell, however long the capture, and the result does
not depend on where the blocks are cut. 'Not available', errors and whatever else is no value leave no trace.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from busdoc.arrays import Float32Array, Float64Array, Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.cells_table import CellTable, lay_out
from busdoc.decode.signals.payload import payload_words
from busdoc.decode.signals.signals import decode
from busdoc.decode.signals.stream_intervals import StreamIntervals
from busdoc.decode.signals.streams import stream_key, stream_keys
from busdoc.decode.signals.summary import SignalSummary
from busdoc.kernels.choice import repays_by_frames
from busdoc.kernels.cores import cores, threads

if TYPE_CHECKING:
    from busdoc.decode.signals.cells_kernel import Apart, Frames, Intervals

__all__ = ["CellRows", "CellSeries", "SignalCells", "cells_of"]

_KERNEL = "busdoc.decode.signals.cells_kernel"
_WORTH_THREADS = 20_000
_NO_SIGNALS = np.uint16(FrameFlag.ERROR | FrameFlag.REMOTE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellSeries:
    """One signal, or anything else that has values in time, in c cells."""

    name: str
    """``Message.Signal`` of a signal, with its identifier where several streams carry it; else words."""
    unit: str
    low: Float32Array
    """(c,) infinite where the cell has no value."""
    high: Float32Array
    """(c,) minus infinite where the cell has no value."""
    last: Float32Array
    """(c,) NaN where the cell has no value."""
    senders: tuple[str, ...] = ()
    """Who sends it, as the database says."""
    channel: int | None = None
    id: int | None = None
    signal: str | None = None
    """``Message.Signal``; None: it is no signal of the database."""
    controllers: tuple[str, ...] = ()
    """Whose dropouts it may be held against; empty: anybody's."""


class CellRows:
    """The values of r series in c cells, filled in the order of time."""

    def __init__(self, n_series: int, edges_ns: Int64Array) -> None:
        n_cells = len(edges_ns) - 1
        self.low = np.full((n_series, n_cells), np.inf, np.float32)
        self.high = np.full((n_series, n_cells), -np.inf, np.float32)
        self.last = np.full((n_series, n_cells), np.nan, np.float32)

    def take(self, row: int, cell: Int64Array, values: Float64Array) -> None:
        """Take in values of one series.

        Parameters
        ----------
        cell : (n,) non-decreasing; negative where there is none
        values : (n,) NaN where there is none
        """
        with np.errstate(over="ignore"):
            numbers = values.astype(np.float32)
        there = np.flatnonzero(np.isfinite(numbers) & (cell >= 0))
        if not len(there):
            return
        cell, some = cell[there], numbers[there]
        first = np.flatnonzero(np.concatenate((np.ones(1, np.bool_), cell[1:] != cell[:-1])))
        at = cell[first]
        self.low[row, at] = np.minimum(self.low[row, at], np.minimum.reduceat(some, first))
        self.high[row, at] = np.maximum(self.high[row, at], np.maximum.reduceat(some, first))
        self.last[row, at] = some[np.append(first[1:], len(some)) - 1]


def cells_of(t_ns: Int64Array, edges_ns: Int64Array) -> Int64Array:
    """Give the cell of each instant, -1 outside of all; a cell holds its first edge and not its last.

    Parameters
    ----------
    t_ns : (n,) non-decreasing
    edges_ns : (c + 1,) ascending
    """
    before = np.searchsorted(t_ns, edges_ns)  # the edges are fewer than the frames of a capture
    cell = np.full(len(t_ns), -1, np.int64)
    cell[before[0] : before[-1]] = np.repeat(np.arange(len(edges_ns) - 1), np.diff(before))
    return cell


class SignalCells:
    """Fills the cells of chosen signals, and of the intervals of chosen streams, while frames go by.

    Parameters
    ----------
    database : the one that the signals were summed up with; None: no signals are wanted
    wanted : the signals, as a first look at the same capture summed them up
    edges_ns : (c + 1,) ascending
    intervals : measures the streams whose intervals are wanted too; None: of none
    compiled : whether to use the compiled path; None: once more frames came than are worth loading it for

    Attributes
    ----------
    rows : of the signals as they were wanted, then of the intervals, in ms
    """

    def __init__(
        self,
        database: Database | None,
        wanted: Iterable[SignalSummary],
        edges_ns: Int64Array,
        *,
        intervals: StreamIntervals | None = None,
        compiled: bool | None = None,
    ) -> None:
        self._wanted = list(wanted)
        self._edges_ns = edges_ns
        self._intervals = StreamIntervals({}) if intervals is None else intervals
        self._compiled = compiled
        self._n_fed = 0
        self._senders: dict[int, tuple[str, ...]] = {}
        self._plans = {} if database is None else self._planned(database)
        self._keys = np.array(sorted(self._plans), np.int64)
        self._tables: list[CellTable] = []
        self.rows = CellRows(len(self._wanted) + len(self._intervals.keys), edges_ns)

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time."""
        self._n_fed += len(block)
        if not len(block):
            return
        if repays_by_frames(self._n_fed, _KERNEL) if self._compiled is None else self._compiled:
            self._feed_compiled(block)
            return
        cell_of = cells_of(block.t_ns, self._edges_ns)
        for key, rows in self._streams_of(block):
            message, row_of = self._plans[key]
            self._take_columns(message, row_of, block, rows, cell_of)
        for k, at, interval_ms in self._intervals.feed(block):
            self.rows.take(len(self._wanted) + k, cell_of[at], interval_ms)

    def series(self) -> tuple[CellSeries, ...]:
        """Give each signal's cells, in the order in which they were wanted."""
        n_streams = Counter(one.name for one in self._wanted)
        return tuple(
            CellSeries(
                name=one.name if n_streams[one.name] == 1 else f"{one.name} of {_stream_text(one)}",
                signal=one.name,
                unit=one.signal.unit,
                low=self.rows.low[row],
                high=self.rows.high[row],
                last=self.rows.last[row],
                senders=self._senders.get(row, ()),
                channel=one.channel,
                id=one.id,
            )
            for row, one in enumerate(self._wanted)
        )

    def _planned(self, database: Database) -> dict[int, tuple[Message, Int64Array]]:
        """Give the part of each stream's message that must be decoded, and the row of each signal; -1: none."""
        rows_of: dict[tuple[int, bool, int], dict[str, int]] = {}
        for row, one in enumerate(self._wanted):
            rows_of.setdefault((one.channel, one.extended, one.id), {})[one.signal.name] = row
        plans: dict[int, tuple[Message, Int64Array]] = {}
        for (channel, extended, frame_id), rows in rows_of.items():
            message = database.find(channel, frame_id, extended)
            if message is None:
                continue
            for row in rows.values():
                self._senders[row] = message.senders
            signals = _needed(message, rows)
            row_of = np.array([rows.get(signal.name, -1) for signal in signals], np.int64)
            plans[stream_key(channel, extended, frame_id)] = replace(message, signals=signals), row_of
        return plans

    def _streams_of(self, block: FrameBlock) -> Iterator[tuple[int, Int64Array]]:
        """Yield the number of each stream that carries wanted signals, and its rows."""
        if not len(self._keys):
            return
        keys = stream_keys(block)
        place = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        known = np.flatnonzero((self._keys[place] == keys) & ((block.flags & _NO_SIGNALS) == 0))
        yield from _grouped(self._keys[place[known]], known)

    def _feed_compiled(self, block: FrameBlock) -> None:
        """Fill the cells of a share of the streams in each thread: none writes what another reads."""
        from busdoc.decode.signals.cells_kernel import Apart, Frames, Intervals

        if not self._tables:
            self._tables = self._shared_out()
        frames = Frames(
            t_ns=np.require(block.t_ns, requirements=("C", "W")),
            channel=np.require(block.channel, requirements=("C", "W")),
            id=np.require(block.id, requirements=("C", "W")),
            flags=np.require(block.flags, requirements=("C", "W")),
            n_bytes=np.require(block.length, requirements=("C", "W")),
            words=payload_words(block),
        )
        intervals = Intervals(self._intervals.most_ns, self._intervals.last_ns)
        rooms = [len(block) if table.is_apart.any() else 0 for table in self._tables]
        aparts = [Apart(np.empty(room, np.int64), np.empty(room, np.int64)) for room in rooms]
        fill = partial(_fill, frames, intervals, self._edges_ns, self.rows)
        if len(self._tables) == 1 or len(block) < _WORTH_THREADS:
            n_apart = list(map(fill, self._tables, aparts))
        else:
            with threads(len(self._tables), "cells") as pool:
                n_apart = list(pool.map(fill, self._tables, aparts))
        if not any(n_apart):
            return
        cell_of = cells_of(block.t_ns, self._edges_ns)
        for table, apart, n in zip(self._tables, aparts, n_apart, strict=True):
            for stream, rows in _grouped(apart.stream[:n], apart.row[:n]):
                message, row_of = self._plans[table.key_of[stream]]
                self._take_columns(message, row_of, block, rows, cell_of)

    def _shared_out(self) -> list[CellTable]:
        """Lay out which values fill which cells, in two halves that are as much work where there are two cores."""
        interval_of = {key: k for k, key in enumerate(self._intervals.keys.tolist())}
        keys = dict.fromkeys((*self._plans, *interval_of))
        n_values = {key: 1 + (len(self._plans[key][1]) if key in self._plans else 0) for key in keys}
        shares: list[list[int]] = [[] for _ in range(min(2, cores(), max(1, len(keys))))]
        for key in sorted(keys, key=lambda key: -n_values[key]):
            min(shares, key=lambda share: sum(n_values[one] for one in share)).append(key)
        return [
            lay_out(
                {key: self._plans[key] for key in share if key in self._plans},
                {key: interval_of[key] for key in share if key in interval_of},
                len(self._wanted),
            )
            for share in shares
        ]

    def _take_columns(
        self, message: Message, row_of: Int64Array, block: FrameBlock, rows: Int64Array, cell_of: Int64Array
    ) -> None:
        """Decode some frames of a message in the general way, and take in the signals that have a row."""
        columns = decode(message, block, rows)
        for row, column in zip(row_of.tolist(), columns.values(), strict=True):
            if row >= 0:
                self.rows.take(row, cell_of[rows], column.values)


def _fill(
    frames: "Frames", intervals: "Intervals", edges_ns: Int64Array, rows: CellRows, table: CellTable, apart: "Apart"
) -> int:
    """Take in frames by one table; give how many of `apart` were written."""
    from busdoc.decode.signals.cells_kernel import Cells, Table, fold_frames

    values = Table(*(getattr(table, name) for name in Table._fields))
    room = np.empty((len(values.parts), 3), np.int64)
    return int(fold_frames(frames, values, intervals, Cells(edges_ns, rows.low, rows.high, rows.last), apart, room))


def _stream_text(one: SignalSummary) -> str:
    return f"0x{one.id:08X}" if one.extended else f"0x{one.id:03X}"


def _needed(message: Message, wanted: Iterable[str]) -> tuple[Signal, ...]:
    """Give the wanted signals, and those that say whether they are in a frame, in the message's order."""
    names = set(wanted)
    for signal in reversed(message.signals):  # a multiplexer stands before what it selects
        if signal.name in names and signal.multiplexer is not None:
            names.add(signal.multiplexer)
    return tuple(signal for signal in message.signals if signal.name in names)


def _grouped(groups: Int64Array, rows: Int64Array) -> Iterator[tuple[int, Int64Array]]:
    """Yield each group and its rows, in order."""
    in_order = np.argsort(groups, kind="stable")
    numbers, first = np.unique(groups[in_order], return_index=True)
    for number, begin, end in zip(numbers.tolist(), first, np.append(first, len(rows))[1:], strict=True):
        yield number, rows[in_order[begin:end]]
