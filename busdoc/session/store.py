"""What was done and found, in SQLite: on disk before it is acknowledged, every change kept, nothing ever overwritten.

One row for each press, undo, correction and note, in the order in which they were made; what holds now is derived by
reading them through (`busdoc.session.logbook`). Incidents are kept as last judged, for whoever opens the folder without
the recording.
"""

import json
import os
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from busdoc.errors import InputError
from busdoc.health.incident import Incident
from busdoc.isolation.verdict import Because
from busdoc.session.rows import StoredRows, read_rows

__all__ = ["SessionStore", "incident_bodies"]

_LAYOUT = 1
_APPLICATION = 0x62756473
"""Marks the file as one of busdoc's sessions (SQLite's `application_id`)."""
_TABLES = """
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE entry (
    n INTEGER PRIMARY KEY AUTOINCREMENT, written_ns INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL
);
CREATE TABLE incident (key TEXT PRIMARY KEY, body TEXT NOT NULL);
"""


class SessionStore:
    """The file `session.sqlite`.

    Write-ahead logging with full synchronisation: a row that was written is on the disk when the call returns, whatever
    happens to the program then (SQLite documentation, "PRAGMA synchronous" and "Write-Ahead Logging").

    Raises
    ------
    InputError : the file cannot be opened, is not a session, or was written by a newer busdoc
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        is_new = not path.exists() or not path.stat().st_size
        self._opened: os.stat_result | None = None
        try:
            self._file = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            if is_new or self._is_unmade():
                self._file.execute("PRAGMA journal_mode = WAL")
                self._file.execute("PRAGMA synchronous = FULL")
                self._make()
            self._check()
            self._file.execute("PRAGMA journal_mode = WAL")
            self._file.execute("PRAGMA synchronous = FULL")
            self._opened = path.stat()
        except sqlite3.DatabaseError as error:
            raise InputError(
                str(path), "the journal of a session", str(error), "Take another folder, or one that busdoc made."
            ) from error

    def _is_unmade(self) -> bool:
        """Whether it is a database without a table: its making was cut off, by the power, say."""
        (mark,) = self._file.execute("PRAGMA application_id").fetchone()
        (n_tables,) = self._file.execute("SELECT count(*) FROM sqlite_master").fetchone()
        return not n_tables and mark in (0, _APPLICATION)

    def _make(self) -> None:
        self._file.executescript(
            f"BEGIN; {_TABLES} PRAGMA user_version = {_LAYOUT}; PRAGMA application_id = {_APPLICATION}; COMMIT;"
        )

    def _check(self) -> None:
        (mark,) = self._file.execute("PRAGMA application_id").fetchone()
        (layout,) = self._file.execute("PRAGMA user_version").fetchone()
        tables = {name for (name,) in self._file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not {"about", "entry", "incident"} <= tables or (mark and mark != _APPLICATION):
            raise InputError(
                str(self.path), "the journal of a session", "another database", "Take a folder that busdoc made."
            )
        if layout > _LAYOUT:
            raise InputError(
                str(self.path), f"layout {_LAYOUT} or older", f"layout {layout}", "Open it with a newer busdoc."
            )

    def add(self, kind: str, body: Mapping[str, Any], written_ns: int) -> None:
        """Write one row; it is on the disk when this returns.

        Raises
        ------
        InputError : it could not be written; then nothing of it was
        """
        text = json.dumps(body, ensure_ascii=False)
        self._write("INSERT INTO entry (written_ns, kind, body) VALUES (?, ?, ?)", [(written_ns, kind, text)])

    def rows(self) -> StoredRows:
        """Give what it holds, as far as it is whole."""
        return read_rows(self._file, self.path.name)

    def keep_incidents(self, bodies: Mapping[str, Mapping[str, Any]], gone: Sequence[str] = ()) -> None:
        """Keep incidents as they are judged now, by their keys; take back those that turned out to be none.

        Raises
        ------
        InputError : they could not be written
        """
        if gone:
            self._write("DELETE FROM incident WHERE key = ?", [(key,) for key in gone])
        rows = [(key, json.dumps(body, ensure_ascii=False)) for key, body in bodies.items()]
        if rows:
            self._write("INSERT OR REPLACE INTO incident (key, body) VALUES (?, ?)", rows)

    def incidents(self) -> dict[str, Mapping[str, Any]]:
        """Give the incidents as last kept."""
        return {key: json.loads(body) for key, body in self._file.execute("SELECT key, body FROM incident")}

    def describe(self, **about: str) -> None:
        """Write down what belongs to the session as a whole: version, command line, clock.

        Raises
        ------
        InputError : it could not be written
        """
        # a command line may name files by bytes that are no letters here, and SQLite stores letters alone
        rows = [(key, text.encode("utf-8", "backslashreplace").decode("utf-8")) for key, text in about.items()]
        self._write("INSERT OR REPLACE INTO about (key, value) VALUES (?, ?)", rows)

    def raw_rows(self) -> list[tuple[Any, ...]]:
        """Give every row of the journal as it stands: number, laptop's time, kind, body.

        Raises
        ------
        InputError : it is damaged
        """
        try:
            return list(self._file.execute("SELECT n, written_ns, kind, body FROM entry ORDER BY n"))
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise InputError(str(self.path), "a whole journal", str(error), "Take another folder.") from error

    def is_whole(self) -> bool:
        """Whether every page of the file can be read and written on: a spoilt one would refuse a press later on."""
        try:
            return bool(self._file.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
        except (sqlite3.Error, UnicodeDecodeError):
            return False

    def take_good(self, other: "SessionStore") -> None:
        """Have what can be read of a damaged journal, from its first row up to the damage.

        Raises
        ------
        InputError : it could not be written
        """
        rows, incidents = list[tuple[int, str, str]](), dict[str, Mapping[str, Any]]()
        with suppress(sqlite3.Error, UnicodeDecodeError):
            for written_ns, kind, body in other._file.execute("SELECT written_ns, kind, body FROM entry ORDER BY n"):
                if isinstance(written_ns, int) and isinstance(kind, str) and isinstance(body, str):
                    rows.append((written_ns, kind, body))
        self._write("INSERT INTO entry (written_ns, kind, body) VALUES (?, ?, ?)", rows)
        self.describe(**other.rows().about)
        with suppress(sqlite3.Error, UnicodeDecodeError, ValueError):
            incidents = other.incidents()
        self.keep_incidents(incidents)

    def take_over(self, other: "SessionStore", rows: Sequence[tuple[Any, ...]]) -> None:
        """Add rows of another journal, and have its incidents and what is said of the session.

        Raises
        ------
        InputError : they could not be written
        """
        self._write("INSERT INTO entry (n, written_ns, kind, body) VALUES (?, ?, ?, ?)", rows)
        self.describe(**other.rows().about)
        self.keep_incidents(other.incidents(), [key for key in self.incidents() if key not in other.incidents()])

    def write(self, statement: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """Run a statement for each of some rows, all or none of them; they are on the disk when this returns.

        Raises
        ------
        InputError : they could not be written
        """
        self._write(statement, rows)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _require_in_place(self) -> None:
        """See that what is written to can still be found: a file that was deleted takes rows all the same.

        Raises
        ------
        InputError : it was deleted, or its disk is gone
        """
        try:
            is_there = self._opened is None or os.path.samestat(self.path.stat(), self._opened)
        except OSError:
            is_there = False
        if not is_there:
            raise InputError(
                str(self.path),
                "the file that the session began with",
                "it gone, or another in its place",
                "Nothing was logged. Put it back, or end here and begin a session in another folder.",
            )

    def _write(self, statement: str, rows: Sequence[tuple[Any, ...]]) -> None:
        self._require_in_place()
        try:
            self._file.execute("BEGIN IMMEDIATE")
            self._file.executemany(statement, rows)
            self._file.execute("COMMIT")
        except (sqlite3.Error, UnicodeDecodeError) as error:
            if self._file.in_transaction:
                self._file.execute("ROLLBACK")
            raise InputError(
                str(self.path),
                "room to write",
                str(error),
                "Nothing was logged. Make room on the disk, then press again.",
            ) from error


def incident_bodies(incidents: Sequence[Incident], because: Sequence[Because]) -> dict[str, dict[str, object]]:
    """Word each incident, as judged last, as it is kept: by its key, in JSON's terms."""
    bodies: dict[str, dict[str, object]] = {}
    for incident, reason in zip(incidents, because, strict=True):
        key = f"{incident.kind} {incident.last_seen_ns} {','.join(incident.controllers)}"
        bodies[key] = {
            "kind": incident.kind.value,
            "controllers": list(incident.controllers),
            "last_seen_ns": incident.last_seen_ns,
            "onset_ns": incident.onset_ns,
            "back_ns": incident.back_ns,
            "steady_ns": incident.steady_ns,
            "ran_on": incident.ran_on.value,
            "code": incident.code,
            "expected": reason.expected,
            "action": reason.action,
            "probability": reason.probability,
        }
    return bodies
