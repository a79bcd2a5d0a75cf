"""The action journal: what the technician wrote down, read from CSV and written to it.

A line that cannot be used is counted and the first few are named; the good ones are used. An odd text that can only
mean one thing is read with a warning: semicolons, tabs or Latin-1 from a spreadsheet, a plus sign that it swallowed.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busdoc.actions.action import Action
from busdoc.actions.journal_entry import JournalEntry, read_entry
from busdoc.actions.journal_names import JournalNames, one_line
from busdoc.actions.journal_rows import COLUMNS, split_rows
from busdoc.actions.journal_time import JournalClock, TimeNote, seconds_text
from busdoc.errors import InputError, guarded
from busdoc.files.cells import as_cell
from busdoc.files.given import read_given
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["Journal", "journal_from_text", "journal_text", "load_journal", "write_journal"]

_LARGEST_BYTES = 2_000_000
_MOST_NAMED = 8
_EARLY_NS = 3_600 * SECOND_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class Journal:
    """What was read of a journal."""

    actions: tuple[Action, ...] = ()
    """Ascending by time, in the journal's order where times are equal, numbered from 1."""
    skipped: int = 0
    """Lines that could not be used."""
    warnings: tuple[str, ...] = ()
    """The first few of those lines, and whatever else was odd."""


def load_journal(path: Path, machine: Machine, *, start_ns: int, epoch: bool) -> Journal:
    """Read a journal from its file.

    Parameters
    ----------
    machine : the map that its parts are on; one without parts takes any name
    start_ns : the capture's first frame, ns
    epoch : whether the capture is on Unix time

    Raises
    ------
    InputError : when the file cannot be read, its header is missing, or no line of it can be used
    """
    wanted = "an action journal"
    raw = read_given(
        path, wanted, most_bytes=_LARGEST_BYTES, advice="Check that this is the journal and not a capture."
    )
    with guarded(str(path), wanted, "Check that this is the journal."):
        text, warnings = _decoded(raw, str(path))
        journal = journal_from_text(text, str(path), machine, start_ns=start_ns, epoch=epoch)
    return replace(journal, warnings=(*warnings, *journal.warnings))


def journal_from_text(text: str, where: str, machine: Machine, *, start_ns: int, epoch: bool) -> Journal:
    """Read a journal from its text; parameters and errors as for `load_journal`."""
    split = split_rows(text, where)
    clock = JournalClock(start_ns=start_ns, epoch=epoch)
    names = JournalNames(machine)
    entries: list[JournalEntry] = []
    first_mistake: InputError | None = None
    named: list[str] = []
    skipped = 0
    for row in split.rows:
        try:
            entries.append(read_entry(row, clock, names, f"{where}, line {row.line}"))
        except InputError as mistake:
            skipped += 1
            first_mistake = first_mistake or mistake
            if skipped <= _MOST_NAMED:
                named.append(f"Left out: {mistake}")
    if first_mistake is not None and not entries:
        raise first_mistake
    in_order = sorted((entry.action for entry in entries), key=lambda action: action.time_ns)
    actions = tuple(replace(action, n=n) for n, action in enumerate(in_order, start=1))
    odd = [warning for entry in entries for warning in entry.warnings]
    warnings = (
        *split.warnings,
        *_first_few(named, skipped, "lines left out"),
        *_first_few(odd, len(odd), "such remarks"),
        *_clock_warnings(entries, where, start_ns),
    )
    return Journal(actions=actions, skipped=skipped, warnings=warnings)


def write_journal(path: Path, actions: Sequence[Action], *, start_ns: int, epoch: bool) -> None:
    """Write a journal to a file; parameters as for `journal_text`."""
    path.write_text(journal_text(actions, start_ns=start_ns, epoch=epoch), encoding="utf-8", newline="")


def journal_text(actions: Sequence[Action], *, start_ns: int, epoch: bool) -> str:
    """Write a journal as CSV text, in the order given.

    Parameters
    ----------
    start_ns : the capture's first frame, ns
    epoch : whether the capture is on Unix time: then times are Unix seconds, else seconds after the first frame
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for action in actions:
        time = seconds_text(action.time_ns) if epoch else f"+{seconds_text(action.time_ns - start_ns)}"
        note = as_cell(one_line(action.note))
        uncertainty = seconds_text(action.uncertainty_ns)
        part, into = as_cell(action.part or ""), as_cell(action.into or "")
        writer.writerow([time, action.kind.value, part, into, uncertainty, note])
    return out.getvalue()


def _decoded(raw: bytes, where: str) -> tuple[str, tuple[str, ...]]:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace"), (f"{where}: written in UTF-16, not UTF-8; read all the same",)
    try:
        return raw.decode("utf-8-sig"), ()
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        warning = f"{where}, line {line}: not UTF-8; read as Latin-1, check the names and notes"
        return raw.decode("latin-1"), (warning,)


def _clock_warnings(entries: Sequence[JournalEntry], where: str, start_ns: int) -> list[str]:
    warnings = []
    n_signless = sum(entry.note is TimeNote.SIGN_LOST for entry in entries)
    if n_signless:
        warnings.append(f"{where}: {n_signless} times have no plus sign; taken as seconds after the first frame")
    n_own = sum(entry.note is TimeNote.OWN_CLOCK for entry in entries)
    if n_own:
        warnings.append(f"{where}: {n_own} times have no plus sign; taken on the capture's own clock")
    n_early = sum(entry.action.time_ns < start_ns - _EARLY_NS for entry in entries)
    if n_early:
        warnings.append(f"{where}: {n_early} actions lie over an hour before the first frame; check date and zone")
    return warnings


def _first_few(lines: list[str], n_all: int, what: str) -> list[str]:
    shown = lines[:_MOST_NAMED]
    return shown if n_all <= _MOST_NAMED else [*shown, f"And {n_all - _MOST_NAMED} more {what}."]
