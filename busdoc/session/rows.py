"""The rows of a session's journal as they are read back: what is good of them, and how many are not."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from busdoc.words.counting import counted

__all__ = ["Entry", "StoredRows", "read_rows"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row: what was pressed, and when on the clock of the frames."""

    kind: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRows:
    """What a journal holds."""

    entries: tuple[Entry, ...]
    """In the order written."""
    about: Mapping[str, str]
    notes: tuple[str, ...]
    """What could not be read, as sentences."""


def read_rows(file: sqlite3.Connection, name: str) -> StoredRows:
    """Read what a journal holds, as far as it is whole.

    Parameters
    ----------
    name : of the file, for the notes
    """
    entries: list[Entry] = []
    n_bad = 0
    cut_off = False
    try:
        for kind, body in file.execute("SELECT kind, body FROM entry ORDER BY n"):
            try:
                found = json.loads(body)
                if not isinstance(kind, str) or not isinstance(found, dict):
                    raise TypeError(kind)
                entries.append(Entry(kind=kind, body=found))
            except (TypeError, ValueError):
                n_bad += 1
    except (sqlite3.DatabaseError, UnicodeDecodeError):  # a page that a failing disk has spoilt
        cut_off = True
    about: dict[str, str] = {}
    try:
        about = {str(key): str(value) for key, value in file.execute("SELECT key, value FROM about")}
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        cut_off = True
    notes = []
    if n_bad:
        notes.append(f"{counted(n_bad, 'row')} of {name} cannot be read; what was logged there is not known.")
    if cut_off:
        notes.append(f"{name} is damaged; the {counted(len(entries), 'row')} before the damage are used.")
    return StoredRows(entries=tuple(entries), about=about, notes=tuple(notes))
