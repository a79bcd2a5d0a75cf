"""The lowest, highest and last value of signals in each of many cells of time, in one pass over the frames.

Cells have any edges, so stretches that end at given instants can be put together from whole ones. Which signals and
which cells is settled beforehand; memory is 12 bytes a signal and cell, however long the capture, and the result does
not depend on where the blocks are cut. 'Not available', errors and whatever else is no value leave no trace.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import Float32Array, Float64Array, Int64Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database import Database
from busdoc.decode.message import Message, Signal
from busdoc.decode.signal_streams import SignalStream, StreamTable
from busdoc.decode.signal_summary import SignalSummary
from busdoc.decode.signals import LARGE, decode

__all__ = ["CellRows", "CellSeries", "SignalCells", "cells_of"]


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
    """Fills the cells of chosen signals while frames go by.

    Parameters
    ----------
    database : decides which message a frame is
    wanted : the signals, as a first look at the same capture summed them up
    edges_ns : (c + 1,) ascending
    compiled : whether to use the compiled path; None: once more frames came than are worth loading it for
    workers : shares out the streams of a block; None: one after the other
    """

    def __init__(
        self,
        database: Database,
        wanted: Iterable[SignalSummary],
        edges_ns: Int64Array,
        *,
        compiled: bool | None = None,
        workers: Executor | None = None,
    ) -> None:
        self._wanted = list(wanted)
        self._rows_of: dict[tuple[int, bool, int], dict[str, int]] = {}
        for row, one in enumerate(self._wanted):
            self._rows_of.setdefault((one.channel, one.extended, one.id), {})[one.signal.name] = row
        self._edges_ns = edges_ns
        self._table = StreamTable(database)
        self._plans: list[tuple[Message, Int64Array] | None] = []
        self._senders: dict[int, tuple[str, ...]] = {}
        self._compiled = compiled
        self._workers = workers
        self._n_fed = 0
        self.rows = CellRows(len(self._wanted), edges_ns)

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time."""
        self._n_fed += len(block)
        if not len(block) or not self._wanted:
            return
        compiled = self._n_fed > LARGE if self._compiled is None else self._compiled
        stream_of = self._table.match(block, compiled=compiled)
        self._plans += [self._plan(stream) for stream in self._table.streams[len(self._plans) :]]
        cell_of = cells_of(block.t_ns, self._edges_ns)
        n_streams = len(self._table.streams)
        if compiled:
            from busdoc.decode.signal_kernel import group_rows  # numba: 0.25 s to import

            by_stream, edges = np.empty(len(stream_of), np.int64), np.empty(n_streams + 1, np.int64)
            group_rows(stream_of, edges, by_stream)
        else:
            by_stream = np.argsort(stream_of, kind="stable")
            edges = np.searchsorted(stream_of[by_stream], np.arange(n_streams + 1))

        def fold(number: int) -> None:
            planned = self._plans[number]
            if planned is not None:
                rows = by_stream[edges[number] : edges[number + 1]]
                self._fold(planned[0], planned[1], block, rows, cell_of[rows], compiled)

        _run(self._workers, fold, np.flatnonzero(np.diff(edges)).tolist())

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

    def _plan(self, stream: SignalStream) -> tuple[Message, Int64Array] | None:
        """Give the part of a stream's message that must be decoded, and the row of each signal; -1: none."""
        rows = self._rows_of.get((stream.channel, stream.extended, stream.id), {})
        if not rows:
            return None
        for row in rows.values():
            self._senders[row] = stream.message.senders
        signals = _needed(stream.message, rows)
        row_of = np.array([rows.get(signal.name, -1) for signal in signals], np.int64)
        return replace(stream.message, signals=signals), row_of

    def _fold(
        self,
        message: Message,
        row_of: Int64Array,
        block: FrameBlock,
        rows: Int64Array,
        cell: Int64Array,
        compiled: bool,
    ) -> None:
        columns = decode(message, block, rows, compiled=compiled)
        for row, column in zip(row_of.tolist(), columns.values(), strict=True):
            if row < 0:
                continue
            if compiled:
                from busdoc.decode.signal_cells_kernel import fold_cells  # numba: 0.25 s to import

                fold_cells(column.values, cell, self.rows.low[row], self.rows.high[row], self.rows.last[row])
            else:
                self.rows.take(row, cell, column.values)


def _stream_text(one: SignalSummary) -> str:
    return f"0x{one.id:08X}" if one.extended else f"0x{one.id:03X}"


def _needed(message: Message, wanted: Iterable[str]) -> tuple[Signal, ...]:
    """Give the wanted signals, and those that say whether they are in a frame, in the message's order."""
    names = set(wanted)
    for signal in reversed(message.signals):  # a multiplexer stands before what it selects
        if signal.name in names and signal.multiplexer is not None:
            names.add(signal.multiplexer)
    return tuple(signal for signal in message.signals if signal.name in names)


def _run(workers: Executor | None, work: Callable[[int], None], numbers: Sequence[int]) -> None:
    if workers is None or len(numbers) < 2:
        for number in numbers:
            work(number)
        return
    for running in [workers.submit(work, number) for number in numbers]:
        running.result()
