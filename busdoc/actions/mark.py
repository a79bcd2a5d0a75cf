"""A mark: 'it happened about now', added to a journal by whoever was there, while something else may be adding too."""

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

__all__ = ["MARK_UNCERTAINTY_NS", "append_mark"]

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
    odd = no_plain_file(path)
    if odd is not None:
        raise InputError(str(path), "a journal that can be written", odd, "Take it away.")
    try:
        _begin(path)
        with path.open("r+b", buffering=0) as journal:
            end = journal.seek(0, os.SEEK_END)
            journal.seek(end - 1)
            time, uncertainty = seconds_text(time_ns), seconds_text(uncertainty_ns)
            row = _line([time, ActionKind.MARK.value, "", "", uncertainty, as_cell(note)])
            text = row if journal.read(1) == b"\n" else b"\n" + row
            if once:
                journal.seek(0)
                if row in journal.readlines():
                    return
        with path.open("ab", buffering=0) as journal:  # one write at the end: two who mark at once lose nothing
            journal.write(text)
            os.fsync(journal.fileno())
    except OSError as error:
        raise InputError(
            str(path), "a journal that can be written", found_instead(error), "Check the disk and its rights."
        ) from error


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
