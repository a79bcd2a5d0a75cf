"""What was just done or seen, added to a journal by whoever was there, while something else may be adding too.

A mark says no more than 'it happened about now'.
"""

import csv
import io
import os
from pathlib import Path

from busdoc.actions.action import ActionKind
from busdoc.actions.journal_names import one_line
from busdoc.actions.journal_rows import COLUMNS
from busdoc.actions.journal_time import seconds_text
from busdoc.errors import InputError, found_instead
from busdoc.files.cells import as_cell
from busdoc.files.given import no_plain_file
from busdoc.times import SECOND_NS

__all__ = ["MARK_UNCERTAINTY_NS", "append_action", "append_mark", "begin_journal"]

MARK_UNCERTAINTY_NS = 5 * SECOND_NS
"""Who sees something happen has to reach for the key first (common practice)."""


def append_mark(
    path: Path, time_ns: int, note: str = "", *, uncertainty_ns: int = MARK_UNCERTAINTY_NS, once: bool = False
) -> None:
    """Add a mark to the journal at `path`, which is begun if it is not there; it is on the disk when this returns.

    Parameters
    ----------
    time_ns : when, ns since the Unix epoch
    note : what, in words
    uncertainty_ns : the standard deviation of that time, ns
    once : a mark of the same time and note that stands there already is this one, sent again

    Raises
    ------
    InputError : the journal cannot be written, or another table is called so
    """
    append_action(path, time_ns, ActionKind.MARK, note, uncertainty_ns=uncertainty_ns, once=once)


def append_action(
    path: Path, time_ns: int, kind: ActionKind, note: str = "", *, uncertainty_ns: int, once: bool = False
) -> None:
    """Add what was done to the machine as a whole; it is on the disk when this returns.

    Parameters
    ----------
    path, time_ns, note, uncertainty_ns, once : as of `append_mark`
    kind : what was done

    Raises
    ------
    InputError : the journal cannot be written, or another table is called so
    """
    begin_journal(path)
    try:
        with path.open("r+b", buffering=0) as journal:
            end = journal.seek(0, os.SEEK_END)
            journal.seek(end - 1)
            time, uncertainty = seconds_text(time_ns), seconds_text(uncertainty_ns)
            row = _line([time, kind.value, "", "", uncertainty, as_cell(note)])
            text = row if journal.read(1) == b"\n" else b"\n" + row
            if once:
                journal.seek(0)
                if row in journal.readlines():
                    return
        with path.open("ab", buffering=0) as journal:  # one write at the end: two who mark at once lose nothing
            journal.write(text)
            os.fsync(journal.fileno())
    except OSError as error:
        raise _not_written(path, error) from error


def begin_journal(path: Path) -> None:
    """See that a journal can be added to, and begin it if it is not there.

    Raises
    ------
    InputError : it cannot be written, or another table is called so
    """
    odd = no_plain_file(path)
    if odd is not None:
        raise InputError(str(path), "a journal that can be written", odd, "Take it away.")
    try:
        _begin(path)
    except OSError as error:
        raise _not_written(path, error) from error


def _not_written(path: Path, error: OSError) -> InputError:
    found = found_instead(error)
    return InputError(str(path), "a journal that can be written", found, "Check the disk and its rights.")


def _begin(path: Path) -> None:
    """Write the header where there is no journal; see that one that is there has it."""
    header = _line(COLUMNS)
    try:
        with path.open("xb", buffering=0) as journal:
            journal.write(header)
            return
    except FileExistsError:
        pass
    with path.open("rb") as journal:
        found = journal.readline(200)
    if found.rstrip() != header.rstrip():
        text = found.decode("utf-8", "replace").strip()[:60]
        raise InputError(str(path), f'a journal with the header "{",".join(COLUMNS)}"', f'"{text}"', "Move it away.")


def _line(fields: "list[str] | tuple[str, ...]") -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerow([one_line(field) for field in fields])
    return out.getvalue().encode("utf-8")
