"""Decoded signals as tables: one for each message that holds a signal asked for, with its unit in the column's name.

The capture is read once more for it, block by block, so that a recording of days needs no more memory than one of
minutes. A cell is empty where the frame holds no value: J1939's 'not available', an error, a signal that the frame's
multiplexer leaves out.
"""

import re
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases
from busdoc.decode.database.message import Signal
from busdoc.decode.signals.selection import SelectedRows, SignalSelection, value_texts
from busdoc.decode.signals.signals import decode
from busdoc.decode.signals.streams import SignalStream
from busdoc.errors import InputError, found_instead
from busdoc.report.tables.columns import Column, ColumnType, Table, instant
from busdoc.report.tables.files import arrow_schema, describe, frame_as_cells, timestamps, write_description
from busdoc.times import SECOND_NS

if TYPE_CHECKING:
    import pyarrow.parquet as pq

    from busdoc.capture.frames import FrameBlock

__all__ = ["column_name", "write_signal_tables"]

_NOT_IN_A_NAME = re.compile(r"[^\w.-]+")
_WORDS = {"%": "percent", "°": "deg", "°C": "degC", "°F": "degF", "Ω": "ohm", "µ": "u", "μ": "u", "/": "_per_"}


def write_signal_tables(
    captures: Sequence[Path],
    databases: Sequence[Path | tuple[int | str, Path]],
    patterns: Sequence[str],
    folder: Path,
) -> tuple[Path, ...]:
    """Write the signals that match as `signals-MESSAGE-CHANNEL-ID.csv` (UTF-8) and `.parquet`; give the paths.

    `tables.json` in the folder tells them beside the tables that it tells already.

    Parameters
    ----------
    captures : the recording
    databases : message databases, each for every channel or as ``(channel, file)``
    patterns : ``Signal`` or ``Message.Signal``, with ``*`` and ``?`` as in file names; upper and lower case are one
    folder : made when it is not there

    Raises
    ------
    InputError : a file that cannot be used, a pattern that no signal matches, a folder that cannot be written
    """
    capture = open_capture(captures)
    selection = SignalSelection(load_databases(databases), capture.channels, patterns)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as files:
            open_tables: dict[tuple[int, bool, int], _SignalTable] = {}
            for block in capture.blocks():
                for found in selection.pick(block):
                    stream = found.stream
                    key = stream.channel, stream.extended, stream.id
                    if key not in open_tables:
                        path = folder / _file_name(stream, capture.channels.name(stream.channel))
                        one = _SignalTable(path, _table_of(stream, found.signals), found.signals, epoch=capture.epoch)
                        open_tables[key] = files.enter_context(one)
                    open_tables[key].add(found, block)
        entries = [one.entry() for one in open_tables.values()]
        write_description(folder, entries, epoch=capture.epoch, beside=True)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error
    return tuple(path for one in open_tables.values() for path in (one.csv_path, one.parquet_path))


class _SignalTable:
    """One message's table, written as it grows."""

    def __init__(self, path: Path, table: Table, signals: Sequence[Signal], *, epoch: bool) -> None:
        self.csv_path = path.with_name(path.name + ".csv")
        self.parquet_path = path.with_name(path.name + ".parquet")
        self._table, self._signals, self._epoch = table, signals, epoch
        self._n_rows = 0
        self._csv: IO[str] | None = None
        self._parquet: pq.ParquetWriter | None = None

    def __enter__(self) -> "_SignalTable":
        self._csv = self.csv_path.open("w", encoding="utf-8", newline="")
        return self

    def __exit__(self, *_: object) -> None:
        if self._csv is not None:
            self._csv.close()
        if self._parquet is not None:
            self._parquet.close()

    def add(self, found: SelectedRows, block: "FrameBlock") -> None:
        """Decode the rows of a block and append them."""
        import pandas as pd
        import pyarrow as pa
        import pyarrow.parquet as pq

        assert self._csv is not None
        decoded = decode(found.stream.message, block, found.rows)
        at_s = block.t_ns[found.rows] / SECOND_NS
        columns: dict[str, Any] = {"time_s": at_s, "time_utc": timestamps(at_s, epoch=self._epoch)}
        for signal in self._signals:
            column = decoded[signal.name]
            columns[column_name(signal)] = column.values
            if signal.choices:
                columns[f"{signal.name}_text"] = pd.array(value_texts(signal, column), dtype="string")
        frame = pd.DataFrame(columns)
        kept = pa.Table.from_pandas(frame, schema=arrow_schema(self._table), preserve_index=False)
        first = self._parquet is None
        if self._parquet is None:
            self._parquet = pq.ParquetWriter(self.parquet_path, kept.schema)
        self._parquet.write_table(kept)
        self._n_rows += len(frame)
        frame_as_cells(frame).to_csv(self._csv, index=False, header=first, lineterminator="\n")

    def entry(self) -> "dict[str, Any]":
        """Give its entry in `tables.json`."""
        return dict(describe(self.csv_path.stem, self._table, self._n_rows, (self.csv_path, self.parquet_path)))


def _table_of(stream: SignalStream, signals: Sequence[Signal]) -> Table:
    """Give the columns of one message's table, with the units of the database."""
    columns = list(instant("time_s", "time of the frame"))
    for signal in signals:
        what = f"{stream.message.name}.{signal.name}; empty where the frame holds no value"
        columns.append(Column(column_name(signal), ColumnType.NUMBER, True, what, measured_in=signal.unit))
        if signal.choices:
            said = f"the database's name of the value of {signal.name}"
            columns.append(Column(f"{signal.name}_text", ColumnType.TEXT, True, said))
    return Table(f"a frame of {stream.message.name}", tuple(columns))


def column_name(signal: Signal) -> str:
    """Name a signal's column, its unit in letters and figures at the end: ``Supply_V``, ``Speed_km_per_h``."""
    unit = _WORDS.get(signal.unit, signal.unit)
    for sign, word in _WORDS.items():
        unit = unit.replace(sign, word)
    unit = re.sub(r"[^\w]+", "_", unit).strip("_")
    return f"{signal.name}_{unit}" if unit else signal.name


def _file_name(stream: SignalStream, channel: str) -> str:
    number = f"0x{stream.id:08X}" if stream.extended else f"0x{stream.id:03X}"
    return "signals-" + _NOT_IN_A_NAME.sub("_", f"{stream.message.name}-{channel}-{number}")
