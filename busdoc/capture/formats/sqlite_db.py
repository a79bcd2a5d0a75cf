"""Reads `.db` captures: an SQLite table ``messages`` as python-can writes it. The file is opened for reading only."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from busdoc.capture.formats.csv_text.lines import plain_frame
from busdoc.capture.formats.rows import FrameLine, FrameRows, judge_line
from busdoc.capture.formats.unpacked import unpacked_file
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.errors import InputError
from busdoc.times import nanoseconds_of_float

__all__ = ["read_db"]

_BLOCK_ROWS = 1 << 15
_FIELDS = ("ts", "arbitration_id", "extended", "remote", "error", "dlc", "data")
_QUERY = "SELECT ts, arbitration_id, extended, remote, error, dlc, substr(data, 1, 65) FROM messages ORDER BY rowid"


def read_db(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.db` capture's frames in the order in which they were written.

    Raises
    ------
    InputError : when it has no table of messages
    """
    with unpacked_file(reading) as path, closing(_connect(path, reading)) as database:
        rows = FrameRows()
        line = 0
        try:
            for line, row in enumerate(database.execute(_QUERY), 1):
                judge_line(reading, rows, line, b"", _frame(row), last=False)
                if len(rows) >= _BLOCK_ROWS:
                    reading.n_frames += len(rows)
                    yield rows.take()
        except (sqlite3.Error, OverflowError, UnicodeDecodeError) as error:
            reading.warn(f"the database is damaged after row {line} ({error}); what was before is used.")
        reading.n_frames += len(rows)
        yield rows.take()


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


def _frame(row: tuple[object, ...]) -> FrameLine | str:
    t_s, id_, extended, remote, error, length, data = row
    if not isinstance(t_s, int | float) or not isinstance(id_, int) or not isinstance(length, int):
        return "a time, identifier or length that is no number"
    try:
        t_ns = nanoseconds_of_float(t_s)
    except (ValueError, OverflowError):
        return "a time that is no number"
    payload = data if isinstance(data, bytes) else b""
    return plain_frame(t_ns, id_, bool(extended), bool(remote), bool(error), length, payload)
