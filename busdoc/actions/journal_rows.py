"""The rows of a journal's CSV text: finds the header and the delimiter, and keeps the line number of every row."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass

from busdoc.errors import InputError, nearest
from busdoc.files.cells import from_cell

__all__ = ["COLUMNS", "JournalRow", "JournalRows", "split_rows"]

COLUMNS = ("time", "action", "part", "into", "uncertainty_s", "note")
_TEXTS = ("part", "into", "note")
_REQUIRED = ("time", "action", "part")
_HEADER = ",".join(COLUMNS)
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_MOST_LINES = 100_000
_MOST_COLUMNS = 100
_MOST_LINES_A_ROW = 20
"""A note may hold line breaks; a quote that is never closed must not swallow the rest of the journal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRow:
    """One row that is not blank."""

    line: int
    """Where it begins, counted from 1."""
    fields: dict[str, str]
    """By column name, without blanks around; absent fields are empty."""
    n_extra: int = 0
    """Fields beyond the header's that are not empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRows:
    """The rows of a journal, and what was odd about the text as a whole."""

    rows: Iterator[JournalRow]
    """To be gone through once."""
    warnings: tuple[str, ...]


def split_rows(text: str, where: str) -> JournalRows:
    """Split a journal into its rows.

    Raises
    ------
    InputError : when the header is missing or names a column twice
    """
    if text.count("\n") + text.count("\r") > _MOST_LINES:
        found = f"more than {_MOST_LINES} lines"
        raise InputError(where, "an action journal", found, "Check that this is the journal and not a capture.")
    lines = _physical_lines(text.removeprefix("\ufeff"))
    if lines and lines[0][1].casefold().startswith("sep=") and len(lines[0][1]) == 5:  # a spreadsheet's own mark
        lines = lines[1:]
    if not lines:
        raise InputError(where, f'the header "{_HEADER}"', "an empty file", "Put the header on the first line.")
    header_line, header_text = lines[0]
    delimiter = max(_DELIMITERS, key=header_text.count)
    names, warnings = _header(header_text, delimiter, f"{where}, line {header_line}")
    if delimiter != ",":
        warnings.append(f"{where}: fields are separated by {_DELIMITERS[delimiter]}, not by commas; read all the same")
    return JournalRows(rows=_rows(lines[1:], delimiter, names), warnings=tuple(warnings))


def _physical_lines(text: str) -> list[tuple[int, str]]:
    """Number the lines and drop blank ones; only the three usual line ends count."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "").split("\n")
    return [(number, line) for number, line in enumerate(lines, start=1) if line.strip(" ;,\t")]


def _header(text: str, delimiter: str, where: str) -> tuple[list[str], list[str]]:
    names = [name.strip().casefold() for name in _fields(text, delimiter)]
    while names and not names[-1]:
        names.pop()
    if len(names) > _MOST_COLUMNS:
        raise InputError(
            where, f'the columns "{_HEADER}"', f"{len(names)} columns", "Put that header on the first line."
        )
    missing = [name for name in _REQUIRED if name not in names]
    if missing:
        found = f'"{text.strip()[:80]}"' if len(missing) == len(_REQUIRED) else f"none called {' or '.join(missing)}"
        raise InputError(where, f'the columns "{_HEADER}"', found, "Put that header on the first line.")
    warnings = []
    for name in names:
        if names.count(name) > 1 and name in COLUMNS:
            raise InputError(where, "each column once", f'"{name}" twice', "Take one of the two out.")
        if name not in COLUMNS:
            warnings.append(f'{where}: the column "{name[:60]}" is not read. {nearest(name, COLUMNS)}')
    return names, warnings


def _rows(lines: list[tuple[int, str]], delimiter: str, names: list[str]) -> Iterator[JournalRow]:
    at = 0
    while at < len(lines):
        number, text = lines[at]
        n_taken = _lines_of_row(lines, at)
        text = "\n".join(line for _, line in lines[at : at + n_taken])
        at += n_taken
        values = [value.strip() for value in _fields(text, delimiter)]
        fields = dict.fromkeys(COLUMNS, "") | dict(zip(names, values, strict=False))
        fields |= {name: from_cell(fields[name]) for name in _TEXTS}
        yield JournalRow(line=number, fields=fields, n_extra=sum(bool(value) for value in values[len(names) :]))


def _lines_of_row(lines: list[tuple[int, str]], at: int) -> int:
    n_quotes = 0
    for n_taken, (_, line) in enumerate(lines[at : at + _MOST_LINES_A_ROW], start=1):
        n_quotes += line.count('"')
        if n_quotes % 2 == 0:
            return n_taken
    return 1


def _fields(text: str, delimiter: str) -> list[str]:
    """Split one row; a row that the CSV rules cannot split is split at its delimiters alone."""
    try:
        return next(iter(csv.reader([text], delimiter=delimiter)), [])
    except csv.Error:
        return text.split(delimiter)
