"""The manifest: a CSV with a line for each capture, which says whose it is and what it is judged with."""

import csv
import difflib
import io
import math
import os
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path

from busdoc.errors import InputError
from busdoc.files.given import read_given
from busdoc.many.intake.addresses import joined
from busdoc.many.intake.capture import FleetCapture

__all__ = ["COLUMNS", "is_manifest", "read_manifest"]

COLUMNS = ("machine", "file", "kind", "map", "database", "journal", "hours", "changed")
"""Those that busdoc knows; every other one is a covariate."""
_MOST_BYTES = 2_000_000_000
_NEEDED = ("machine", "file")
_ONE_EACH = {
    "kind": ("one kind", "Correct one of them, or give two machines two names."),
    "changed": ("one day of change", "Leave the other out: a second change needs a fleet of its own."),
}


def is_manifest(path: Path) -> bool:
    """Whether a file is a manifest: a CSV whose first line names the columns machine and file."""
    if path.suffix.lower() != ".csv" or not path.is_file():
        return False
    with path.open("rb") as file:
        head = file.readline(65_536)
    return set(_NEEDED) <= set(_names(head.decode("utf-8-sig", "replace")))


def read_manifest(path: Path) -> Iterator[FleetCapture]:
    """Yield the captures of a manifest, line by line; addresses in it count from its own folder.

    Raises
    ------
    InputError : it cannot be read, or a line of it cannot be used; nothing is judged by half a manifest
    """
    raw = read_given(path, "a manifest (CSV)", most_bytes=_MOST_BYTES, advice="Split it in several.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(str(path), "a manifest", "a file that is no UTF-8 text", "Save it as UTF-8.") from error
    first = text.partition("\n")[0]
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(first), strict=True)
    names = _names(first)
    _check_columns(path, names)
    next(rows)
    told = _ToldOfMachines()
    try:
        for cells in rows:
            if not any(cell.strip() for cell in cells):
                continue
            where = f"{path}, line {rows.line_num}"
            if len(cells) > len(names):
                raise InputError(
                    where, f"{len(names)} cells", f"{len(cells)}", "Put quotes around a cell that holds a comma."
                )
            cells += [""] * (len(names) - len(cells))
            row = dict(zip(names, (cell.strip() for cell in cells), strict=True))
            found = _capture(where, path.parent, row)
            told.check(where, found)
            yield found
    except csv.Error as error:
        raise InputError(f"{path}, line {rows.line_num}", "CSV", str(error), "Check the quotes there.") from error


class _ToldOfMachines:
    """What the lines so far say of each machine, and what no other line of it may contradict."""

    def __init__(self) -> None:
        self._told: dict[tuple[str, str], str] = {}

    def check(self, where: str, capture: FleetCapture) -> None:
        """See that a line agrees with those before it.

        Raises
        ------
        InputError : it does not: all that is said of its machine would hang on which of them comes first
        """
        for column, value in (("kind", capture.kind), ("changed", capture.changed)):
            if not value:
                continue
            before = self._told.setdefault((column, capture.machine), value)
            if before != value:
                what, advice = _ONE_EACH[column]
                raise InputError(where, f"{what} for {capture.machine}", f'"{value}" here and "{before}" above', advice)


def _capture(where: str, folder: Path, row: Mapping[str, str]) -> FleetCapture:
    for name in _NEEDED:
        if not row[name]:
            raise InputError(where, f"the {name} of this capture", "an empty cell", "Fill it in, or delete the line.")
    base = str(folder)
    return FleetCapture(
        files=tuple(joined(base, one.strip()) for one in row["file"].split(";") if one.strip()),
        machine=row["machine"],
        kind=row.get("kind", ""),
        machine_file=joined(base, row["map"]) if row.get("map") else None,
        databases=tuple(_database(base, one.strip()) for one in row.get("database", "").split(";") if one.strip()),
        journal=joined(base, row["journal"]) if row.get("journal") else None,
        hours=_hours(where, row.get("hours", "")),
        changed=_day(where, row.get("changed", "")),
        covariates=tuple((name, value) for name, value in row.items() if name not in COLUMNS and value),
    )


def _database(base: str, text: str) -> tuple[int | str | None, str]:
    """Read `FILE` or `CHANNEL=FILE`, as ``--db`` does."""
    channel, mark, file = text.partition("=")
    if not mark or os.path.exists(joined(base, text)):
        return None, joined(base, text)
    return (int(channel) if channel.isdigit() else channel), joined(base, file)


def _hours(where: str, text: str) -> float | None:
    if not text:
        return None
    try:
        hours = float(text.replace(",", "."))
    except ValueError:
        hours = math.nan
    if not 0.0 <= hours < 1e7:
        raise InputError(where, "hours, a number from 0 on", f'"{text}"', "Write for example 4711.5, or nothing.")
    return hours


def _day(where: str, text: str) -> str:
    if not text:
        return ""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise InputError(where, "changed, a day", f'"{text}"', "Write for example 2026-03-31, or nothing.") from error


def _check_columns(path: Path, names: list[str]) -> None:
    for name in _NEEDED:
        if name not in names:
            raise InputError(
                f"{path}, line 1", f'the column "{name}"', ", ".join(names) or "none", _advice(name, names)
            )
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"{path}, line 1", "each column once", f'"{twice[0]}" twice', "Rename one of them.")
    if "" in names:
        raise InputError(
            f"{path}, line 1", "a name for each column", f"none for column {names.index('') + 1}", "Name it."
        )


def _advice(name: str, names: list[str]) -> str:
    near = difflib.get_close_matches(name, names, n=1)
    return f'Rename "{near[0]}".' if near else f"The first line names the columns: {', '.join(COLUMNS)}."


def _names(head: str) -> list[str]:
    """Give the names of the columns in small letters."""
    cells = next(csv.reader([head.rstrip("\r\n")], delimiter=_delimiter(head)), [])
    return [cell.strip().lower() for cell in cells]


def _delimiter(head: str) -> str:
    """Tell the semicolon and the tab that some spreadsheets write from the comma."""
    return max(",;\t", key=head.count)  # the comma where none is there
