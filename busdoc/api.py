"""The calls that busdoc offers to a notebook or a script; `import busdoc` gives all of them, loaded when first used.

Three of them read a recording, one for each use, and take the same things: `postmortem`, `resync` and `baseline`. What
they take is said once, at `postmortem`. `docs/python.md` shows every call at work.
"""

from collections.abc import Iterable, Mapping
from os import PathLike
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypedDict

from busdoc.actions.journal import Journal
from busdoc.analysis.baseline import LearntMap
from busdoc.analysis.result import Result
from busdoc.analysis.resync import Resync
from busdoc.capture.source import Capture
from busdoc.decode.database.database import Database
from busdoc.errors import BusdocError, InputError
from busdoc.machine.machine import Machine
from busdoc.report.words.headline import headline

if TYPE_CHECKING:
    import pandas as pd

    from busdoc.analysis.reading import Follow

__all__ = [
    "BusdocError",
    "Capture",
    "Database",
    "InputError",
    "Journal",
    "LearntMap",
    "Machine",
    "Result",
    "Resync",
    "baseline",
    "document",
    "headline",
    "load_databases",
    "load_journal",
    "load_machine",
    "open_capture",
    "postmortem",
    "resync",
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
    symptom: str | None = None,
    progress: "Follow | None" = None,
) -> Result:
    """Say who dropped, when, for how long and why: one recording, end to end.

    Parameters
    ----------
    captures : a capture file, a folder of them, or several that make up one recording; or the folder of a session at
        the machine, which brings its own map, databases and journal where none are given
    databases : a message database, or several; in a list, ``(channel, file)`` is one for that channel only
    machine : the machine map (TOML)
    journal : what was done (CSV)
    symptom : what to isolate, as the option ``--symptom`` takes it; None: the dropouts, and where nothing dropped what
        else stands out
    progress : called after each block with a record of how far the reading is: `frames`, and `share` of the files where
        that is known; a true answer stops the reading there, and what was found so far is concluded from

    Returns
    -------
    Typed records, times in int64 nanoseconds; `headline`, `document`, `tables` and `write_report` render them

    Raises
    ------
    InputError : a file that cannot be used; its text says what to do

    Examples
    --------
    >>> import busdoc
    >>> result = busdoc.postmortem(
    ...     "captures/street_sweeper/capture.log.gz",
    ...     machine="captures/street_sweeper/machine.toml",
    ...     journal="captures/street_sweeper/actions.csv",
    ... )
    >>> result.isolation.suspects[0].part
    'gate-angle'
    """
    from busdoc.analysis.postmortem import postmortem as run

    return run(_paths(captures), symptom=symptom, progress=progress, **_inputs(databases, machine, journal))


def resync(
    captures: AnyPath | Iterable[AnyPath],
    *,
    databases: AnyPath | Iterable[DatabaseFile] = (),
    machine: AnyPath | None = None,
    journal: AnyPath | None = None,
    symptom: str | None = None,
    progress: "Follow | None" = None,
) -> Resync:
    """Say of each power-up of one recording whether every controller came back in step, and when.

    Parameters
    ----------
    captures, databases, machine, journal, progress : as of `postmortem`; the map holds the limits that `baseline`
        learns, and without limits nobody fails for being late
    symptom : what must be gone after each power-up beside codes and the map's symptoms, as `--symptom` takes it

    Returns
    -------
    `power_ups`, ascending by time, each with its controllers; `verdict` over all; times in int64 nanoseconds

    Raises
    ------
    InputError : a file that cannot be used; its text says what to do

    Examples
    --------
    >>> import busdoc
    >>> found = busdoc.resync("captures/sweeper_feed/capture.log.gz", machine="captures/street_sweeper/machine.toml")
    >>> len(found.power_ups), str(found.verdict)
    (6, 'no limit')
    """
    from busdoc.analysis.resync import resync as run

    return run(_paths(captures), symptom=symptom, progress=progress, **_inputs(databases, machine, journal))


def baseline(
    captures: AnyPath | Iterable[AnyPath],
    *,
    databases: AnyPath | Iterable[DatabaseFile] = (),
    machine: AnyPath | None = None,
    journal: AnyPath | None = None,
    name: str = "Machine",
    progress: "Follow | None" = None,
) -> LearntMap:
    """Learn from one recording of a healthy machine who is on the bus and when each must be back.

    Parameters
    ----------
    captures, databases, journal, progress : as of `postmortem`
    machine : a map that is kept and added to; None: a new one is made
    name : of the machine, for a new map

    Returns
    -------
    `text`, the machine map to write to a file (TOML, UTF-8); what was `added` to a map and what was `kept`

    Raises
    ------
    InputError : a file that cannot be used, or no traffic to learn from; its text says what to do

    Examples
    --------
    >>> import busdoc
    >>> learnt = busdoc.baseline("captures/sweeper_feed/capture.log.gz", name="Street sweeper")
    >>> learnt.text.splitlines()[0]
    '# Learnt by `busdoc baseline`; every line may be edited.'
    """
    from busdoc.analysis.baseline import baseline as run

    return run(_paths(captures), name=name, progress=progress, **_inputs(databases, machine, journal))


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


class _Inputs(TypedDict):
    databases: list[Path | tuple[int | str, Path]]
    machine_file: Path | None
    journal_file: Path | None


def _inputs(databases: AnyPath | Iterable[DatabaseFile], machine: AnyPath | None, journal: AnyPath | None) -> _Inputs:
    return {
        "databases": _database_files(databases),
        "machine_file": None if machine is None else Path(machine),
        "journal_file": None if journal is None else Path(journal),
    }


def _database_files(databases: AnyPath | Iterable[DatabaseFile]) -> list[Path | tuple[int | str, Path]]:
    if isinstance(databases, str | PathLike):
        return [Path(databases)]
    return [(one[0], Path(one[1])) if isinstance(one, tuple) else Path(one) for one in databases]


def _start_ns(capture: Capture) -> int:
    """Give the time of the first frame; 0 without frames."""
    return next((int(block.t_ns[0]) for block in capture.blocks() if len(block)), 0)
