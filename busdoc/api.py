"""The calls that busdoc offers to a notebook or a script; `import busdoc` gives all of them, loaded when first used.

>>> import busdoc
>>> result = busdoc.postmortem("session.log", databases="sweeper.dbc", machine="machine.toml")  # doctest: +SKIP
>>> print(busdoc.headline(result))  # doctest: +SKIP
>>> busdoc.tables(result)["incidents"]  # doctest: +SKIP
"""

from collections.abc import Callable, Iterable, Mapping
from os import PathLike
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from busdoc.actions.journal import Journal
from busdoc.analysis.result import Result
from busdoc.capture.source import Capture
from busdoc.decode.database.database import Database
from busdoc.errors import BusdocError, InputError
from busdoc.machine.machine import Machine
from busdoc.report.words.headline import headline

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "BusdocError",
    "Capture",
    "Database",
    "InputError",
    "Journal",
    "Machine",
    "Result",
    "document",
    "headline",
    "load_databases",
    "load_journal",
    "load_machine",
    "open_capture",
    "postmortem",
    "tables",
    "write_report",
    "write_signals",
    "write_tables",
]

AnyPath = str | PathLike[str]
DatabaseFile = AnyPath | tuple[int | str, AnyPath]

_NO_FIELDS: Mapping[str, str] = MappingProxyType({})


def postmortem(
    captures: AnyPath | Iterable[AnyPath],
    *,
    databases: AnyPath | Iterable[DatabaseFile] = (),
    machine: AnyPath | None = None,
    journal: AnyPath | None = None,
    progress: Callable[[int], None] | None = None,
) -> Result:
    """Analyse one recording, end to end.

    Parameters
    ----------
    captures : a capture file, a folder of them, or several that make up one recording
    databases : a message database, or several; in a list, ``(channel, file)`` is one for that channel only
    machine : the machine map (TOML)
    journal : what was done (CSV)
    progress : called with the number of frames of each block that was read

    Raises
    ------
    InputError : a file that cannot be used; its text says what to do
    """
    from busdoc.analysis.postmortem import postmortem as run

    return run(
        _paths(captures),
        databases=_database_files(databases),
        machine_file=None if machine is None else Path(machine),
        journal_file=None if journal is None else Path(journal),
        progress=progress,
    )


def open_capture(captures: AnyPath | Iterable[AnyPath]) -> Capture:
    """Open a recording; its `blocks()` yield the frames as columns of numpy arrays, in the order of time.

    Raises
    ------
    InputError : a file that is missing or of a kind that is not read
    """
    from busdoc.capture.source import open_capture as opened

    return opened(_paths(captures))


def load_machine(path: AnyPath) -> Machine:
    """Load a machine map.

    Raises
    ------
    InputError : the file cannot be read or holds a mistake; all of the first few are named with their lines
    """
    from busdoc.machine.machine_map import load_machine as load

    return load(Path(path))


def load_databases(databases: AnyPath | Iterable[DatabaseFile]) -> Database:
    """Load message databases; several are searched as one.

    Raises
    ------
    InputError : a file that cannot be used
    """
    from busdoc.decode.database.database import load_databases as load

    return load(_database_files(databases))


def load_journal(path: AnyPath, *, machine: Machine | None = None, capture: Capture | None = None) -> Journal:
    """Load a journal of what was done.

    Parameters
    ----------
    machine : the map that its parts are on; without one, any name is taken
    capture : the recording that times such as ``+12.5`` count from; without one, they count from zero

    Raises
    ------
    InputError : the file cannot be read, or no line of it can be used
    """
    from busdoc.actions.journal import load_journal as load

    start_ns, epoch = (0, False) if capture is None else (_start_ns(capture), capture.epoch)
    return load(Path(path), Machine() if machine is None else machine, start_ns=start_ns, epoch=epoch)


def document(result: Result) -> dict[str, Any]:
    """Give the result as the JSON document ``busdoc-verdict/1``: plain dictionaries, lists, numbers and texts."""
    from busdoc.report.json.document import document as build

    return build(result)


def tables(result: Result) -> "dict[str, pd.DataFrame]":
    """Give the result as pandas frames by name: controllers, streams, incidents, actions, codes, load and more."""
    from busdoc.report.tables.tables import tables as build

    return build(result)


def write_tables(result: Result, folder: AnyPath) -> tuple[Path, ...]:
    """Write every table as CSV and as Parquet; give the files.

    Raises
    ------
    InputError : the folder cannot be written
    """
    from busdoc.report.tables.tables import write_tables as write

    return write(result, Path(folder))


def write_signals(
    captures: AnyPath | Iterable[AnyPath],
    databases: AnyPath | Iterable[DatabaseFile],
    patterns: str | Iterable[str],
    folder: AnyPath,
) -> tuple[Path, ...]:
    """Write every value of the signals that match as CSV and Parquet, a table for each message; give the files.

    Parameters
    ----------
    patterns : ``Signal`` or ``Message.Signal``, with ``*`` and ``?`` as in file names; one or several

    Raises
    ------
    InputError : a file that cannot be used, a pattern that no signal matches, a folder that cannot be written
    """
    from busdoc.report.tables.signal_tables import write_signal_tables

    wanted = [patterns] if isinstance(patterns, str) else list(patterns)
    return write_signal_tables(_paths(captures), _database_files(databases), wanted, Path(folder))


def write_report(result: Result, path: AnyPath, *, command: str = "", fields: Mapping[str, str] = _NO_FIELDS) -> Path:
    """Write the record of a result, as HTML or PDF by the suffix of `path`; give the path.

    Parameters
    ----------
    command : the command that made the result, if it was one
    fields : `technician`, `serial`, `hours`, `order`, or any other name and text to print at the top

    Raises
    ------
    InputError : another suffix, or a file that cannot be written
    """
    target = Path(path)
    match target.suffix.lower():
        case ".html" | ".htm":
            from busdoc.report.record.html import write_html

            write_html(result, target, command=command, fields=fields)
        case ".pdf":
            from busdoc.report.record.pdf import write_pdf

            write_pdf(result, target, command=command, fields=fields)
        case other:
            found = f'"{other}"' if other else "no suffix"
            raise InputError(str(target), "a report that ends in .html or .pdf", found, "Name it so.")
    return target


def _paths(files: AnyPath | Iterable[AnyPath]) -> list[Path]:
    return [Path(files)] if isinstance(files, str | PathLike) else [Path(file) for file in files]


def _database_files(databases: AnyPath | Iterable[DatabaseFile]) -> list[Path | tuple[int | str, Path]]:
    if isinstance(databases, str | PathLike):
        return [Path(databases)]
    return [(one[0], Path(one[1])) if isinstance(one, tuple) else Path(one) for one in databases]


def _start_ns(capture: Capture) -> int:
    """Give the time of the first frame; 0 without frames."""
    return next((int(block.t_ns[0]) for block in capture.blocks() if len(block)), 0)
