"""Reads `.db` captures: an SQLite table ``messages`` as python-can writes it. The file is opened for reading only.

Rows are taken in by columns; those that are not of the common kind, error frames among them, one by one.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.formats.csv_text.lines import ONLY_CHANNEL, plain_frame
from busdoc.capture.formats.rows import FrameLine, FrameRows, judge_line
from busdoc.capture.formats.stretches import by_line
from busdoc.capture.formats.unpacked import unpacked_file
from busdoc.capture.frames import EXTENDED, FD, NO_LONG, REMOTE, FrameBlock, LongPayloads
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.errors import InputError
from busdoc.times import nanoseconds_of_float, nanoseconds_of_floats

__all__ = ["read_db"]

_BLOCK_ROWS = 1 << 15
_FIELDS = ("ts", "arbitration_id", "extended", "remote", "error", "dlc", "data")
_QUERY = "SELECT ts, arbitration_id, extended, remote, error, dlc, substr(data, 1, 65) FROM messages ORDER BY rowid"
_Row = tuple[Any, ...]


def read_db(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.db` capture's frames in the order in which they were written.

    Raises
    ------
    InputError : when it has no table of messages
    """
    with unpacked_file(reading) as path, closing(_connect(path, reading)) as database:
        stored = _stored(database)
        line = 0
        damage: Exception | None = None
        while damage is None:
            rows: list[_Row] = []
            try:
                rows.extend(islice(stored, _BLOCK_ROWS))  # what came before the damage stays in it
            except (sqlite3.Error, OverflowError, UnicodeDecodeError) as error:
                damage = error
            block = _block(reading, rows, line + 1)
            line += len(rows)
            reading.n_frames += len(block.frames)
            if damage is not None:
                reading.warn(f"the database is damaged after row {line} ({damage}); what was before is used.")
            yield block
            if len(rows) < _BLOCK_ROWS:
                return


def _stored(database: sqlite3.Connection) -> Iterator[_Row]:
    yield from database.execute(_QUERY)


def _connect(path: Path, reading: Reading) -> sqlite3.Connection:
    uri = path.resolve().as_uri()
    database = None
    for how in ("mode=ro", "mode=ro&immutable=1"):  # the second where a journal cannot be made beside the file
        try:
            database = sqlite3.connect(f"{uri}?{how}", uri=True)
            database.text_factory = bytes
            found = {str(row[1], "utf-8", "replace") for row in database.execute("PRAGMA table_info(messages)")}
        except (sqlite3.Error, UnicodeDecodeError) as error:
            reason = str(error)
            if database is not None:
                database.close()
            continue
        if not set(_FIELDS) <= found:
            database.close()
            what = "a table with other columns" if found else "no such table"
            raise InputError(
                str(reading.file), "a table messages with " + ", ".join(_FIELDS), what, "Check that this is a capture."
            )
        return database
    raise InputError(str(reading.file), "an SQLite database", reason, "Copy the file again, or record it anew.")


def _block(reading: Reading, rows: list[_Row], first_line: int) -> ReadBlock:
    """Read some rows, the first of them numbered `first_line`."""
    common, frames = _common(rows)
    odd = FrameRows()
    for at in np.flatnonzero(~common).tolist():
        judge_line(reading, odd, first_line + at, b"", _frame(rows[at]), last=False)
    if not common.any():
        return odd.take()
    reading.channel(ONLY_CHANNEL)
    block = ReadBlock(frames=frames, first_line=first_line, lines=first_line + np.flatnonzero(common))
    return by_line(block, odd) if len(odd) else block


def _common(rows: list[_Row]) -> tuple[BoolArray, FrameBlock]:
    """Read the rows of the common kind.

    Returns
    -------
    (n,) which rows these are; their frames
    """
    none = np.zeros(len(rows), np.bool_), FrameBlock.empty()
    if not rows:
        return none
    t_s, *numbers, data = zip(*rows, strict=True)
    columns = [np.array(column) for column in numbers]
    time_s = np.array(t_s)
    if time_s.dtype.kind not in "fi" or any(column.dtype != np.int64 for column in columns):
        return none  # damage, or another writer: each row by itself
    # what is plain of each row, as `plain_frame` has it
    id_, extended, remote, error, length = columns
    n_bytes, payload = _payloads(data)
    t_ns, common = nanoseconds_of_floats(time_s.astype(np.float64))
    common &= (np.abs(t_ns) <= LATEST_NS) & (error == 0)
    common &= (id_ >= 0) & (id_ <= np.where(extended, 0x1FFFFFFF, 0x7FF))
    common &= (length >= 0) & np.where(remote, length <= 8, (length <= 64) & (length == n_bytes))
    flags = np.where(extended, EXTENDED, 0) | np.where(remote, REMOTE, np.where(length > 8, FD, 0))
    n_held = np.where(remote, 0, n_bytes)
    start = np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes)))[:-1]
    return common, FrameBlock(
        t_ns=t_ns[common],
        channel=np.zeros(np.count_nonzero(common), np.uint8),
        id=id_[common].astype(np.uint32),
        flags=flags[common].astype(np.uint16),
        length=length[common].astype(np.uint8),
        data=_first_bytes(payload, start[common], n_held[common]),
        long=_long(payload, start[common], n_held[common]),
    )


def _payloads(data: Sequence[Any]) -> tuple[Int64Array, UInt8Array]:
    """Give the bytes of each payload, none where it is no bytes, and all of them after one another."""
    held = [one if isinstance(one, bytes) else b"" for one in data]
    return np.fromiter(map(len, held), np.int64, len(held)), np.frombuffer(b"".join(held) + bytes(8), np.uint8)


def _first_bytes(payload: UInt8Array, start: Int64Array, n_bytes: Int64Array) -> UInt8Array:
    """Give (n, 8) the first bytes of payloads, zero beyond their end."""
    eight = np.arange(8)
    return np.where(eight < n_bytes[:, None], payload[start[:, None] + eight], np.uint8(0))


def _long(payload: UInt8Array, start: Int64Array, n_bytes: Int64Array) -> LongPayloads:
    """Give the whole payloads of more than eight bytes."""
    row = np.flatnonzero(n_bytes > 8)
    if not len(row):
        return NO_LONG
    edges = np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes[row])))
    from_byte = np.repeat(start[row] - edges[:-1], n_bytes[row]) + np.arange(edges[-1])
    return LongPayloads(row=row, start=edges, bytes=payload[from_byte])


def _frame(row: _Row) -> FrameLine | str:
    t_s, id_, extended, remote, error, length, data = row
    if not isinstance(t_s, int | float) or not isinstance(id_, int) or not isinstance(length, int):
        return "a time, identifier or length that is no number"
    try:
        t_ns = nanoseconds_of_float(t_s)
    except (ValueError, OverflowError):
        return "a time that is no number"
    payload = data if isinstance(data, bytes) else b""
    return plain_frame(t_ns, id_, bool(extended), bool(remote), bool(error), length, payload)
