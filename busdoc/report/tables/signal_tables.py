"""Decoded signals as tables: one for each message that holds a signal asked for, with its unit in the column's name.

The capture is read once more for it, block by block, so that a recording of days needs no more memory than one of
minutes. A cell is empty where the frame holds no value: J1939's 'not available', an error, a signal that the frame's
multiplexer leaves out.
"""

import re
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from fnmatch import fnmatchcase
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.signals import SignalColumn, SignalStatus, decode
from busdoc.decode.signals.streams import SignalStream, StreamTable
from busdoc.errors import InputError, found_instead
from busdoc.report.tables.tables import frame_as_cells
from busdoc.times import SECOND_NS

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from busdoc.capture.frames import FrameBlock

__all__ = ["chosen_signals", "column_name", "write_signal_tables"]

_NOT_IN_A_NAME = re.compile(r"[^\w.-]+")
_MOST_NAMED = 5
_WORDS = {"%": "percent", "°": "deg", "°C": "degC", "°F": "degF", "Ω": "ohm", "µ": "u", "μ": "u", "/": "_per_"}


def write_signal_tables(
    captures: Sequence[Path],
    databases: Sequence[Path | tuple[int | str, Path]],
    patterns: Sequence[str],
    folder: Path,
) -> tuple[Path, ...]:
    """Write the signals that match as `signals-MESSAGE-CHANNEL-ID.csv` (UTF-8) and `.parquet`; give the paths.

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
    database = load_databases(databases)
    chosen = chosen_signals(database.messages, patterns)
    table = StreamTable(database.bind(capture.channels))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as files:
            open_tables: dict[int, _SignalTable] = {}
            for block in capture.blocks():
                stream_of = table.match(block, compiled=False)
                for number in np.unique(stream_of[stream_of >= 0]).tolist():
                    stream = table.streams[number]
                    signals = tuple(one for one in stream.message.signals if _full_name(stream.message, one) in chosen)
                    if not signals:
                        continue
                    if number not in open_tables:
                        path = folder / _file_name(stream, capture.channels.name(stream.channel))
                        open_tables[number] = files.enter_context(_SignalTable(path, signals))
                    open_tables[number].add(stream.message, block, np.flatnonzero(stream_of == number))
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error
    return tuple(path for one in open_tables.values() for path in (one.csv_path, one.parquet_path))


def chosen_signals(messages: Sequence[Message], patterns: Sequence[str]) -> frozenset[str]:
    """Give the signals that match any pattern, as ``Message.Signal``.

    Raises
    ------
    InputError : a pattern that no signal matches
    """
    names = {_full_name(message, signal): signal.name for message in messages for signal in message.signals}
    chosen: set[str] = set()
    for pattern in patterns:
        folded = pattern.casefold()
        found = {
            full
            for full, short in names.items()
            if fnmatchcase(full.casefold(), folded) or fnmatchcase(short.casefold(), folded)
        }
        if not found:
            what = f'"{pattern}", which matches none'
            raise InputError("--signals", "a signal of the database", what, _advice(pattern, names))
        chosen |= found
    return frozenset(chosen)


def _full_name(message: Message, signal: Signal) -> str:
    return f"{message.name}.{signal.name}"


def _advice(pattern: str, names: Mapping[str, str]) -> str:
    """Name signals that come near to what was written."""
    from difflib import get_close_matches

    plain = pattern.replace("*", "").replace("?", "").casefold()
    by_fold = {short.casefold(): full for full, short in names.items()}
    by_fold |= {full.casefold(): full for full in names}
    near = [by_fold[fold] for fold in get_close_matches(plain, by_fold, n=_MOST_NAMED, cutoff=0.5)]
    named = ", ".join(dict.fromkeys(near)) or ", ".join(sorted(names)[:_MOST_NAMED])
    return f"Write Message.Signal, with * for any letters; it has for example {named}."


class _SignalTable:
    """One message's table, written as it grows."""

    def __init__(self, path: Path, signals: Sequence[Signal]) -> None:
        self.csv_path = path.with_name(path.name + ".csv")
        self.parquet_path = path.with_name(path.name + ".parquet")
        self._signals = signals
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

    def add(self, message: Message, block: "FrameBlock", rows: "np.ndarray[Any, np.dtype[np.int64]]") -> None:
        """Decode the rows of a block and append them."""
        import pandas as pd
        import pyarrow as pa
        import pyarrow.parquet as pq

        assert self._csv is not None
        decoded = decode(message, block, rows)
        columns: dict[str, Any] = {"time_s": block.t_ns[rows] / SECOND_NS}
        for signal in self._signals:
            column = decoded[signal.name]
            columns[column_name(signal)] = column.values
            if signal.choices:
                columns[f"{signal.name}_text"] = _texts(signal, column)
        frame = pd.DataFrame(columns)
        table = pa.Table.from_pandas(frame, schema=self._schema(), preserve_index=False)
        first = self._parquet is None
        if self._parquet is None:
            self._parquet = pq.ParquetWriter(self.parquet_path, table.schema)
        self._parquet.write_table(table)
        frame_as_cells(frame).to_csv(self._csv, index=False, header=first, lineterminator="\n")

    def _schema(self) -> "pa.Schema":
        """Keep a column of texts one of texts in a block that has none."""
        import pyarrow as pa

        fields = [("time_s", pa.float64())]
        for signal in self._signals:
            fields.append((column_name(signal), pa.float64()))
            if signal.choices:
                fields.append((f"{signal.name}_text", pa.string()))
        return pa.schema(fields)


def column_name(signal: Signal) -> str:
    """Name a signal's column, its unit in letters and figures at the end: ``Supply_V``, ``Speed_km_per_h``."""
    unit = _WORDS.get(signal.unit, signal.unit)
    for sign, word in _WORDS.items():
        unit = unit.replace(sign, word)
    unit = re.sub(r"[^\w]+", "_", unit).strip("_")
    return f"{signal.name}_{unit}" if unit else signal.name


def _texts(signal: Signal, column: SignalColumn) -> "np.ndarray[Any, np.dtype[np.object_]]":
    """Give the database's names of the raw values; None where a value has none or the frame does not hold it."""
    raw, place = np.unique(column.raw, return_inverse=True)
    names = np.array([signal.label(int(one)) or None for one in raw], dtype=object)[place]
    names[column.status != SignalStatus.VALID] = None
    return names


def _file_name(stream: SignalStream, channel: str) -> str:
    number = f"0x{stream.id:08X}" if stream.extended else f"0x{stream.id:03X}"
    return "signals-" + _NOT_IN_A_NAME.sub("_", f"{stream.message.name}-{channel}-{number}")
