"""The calls that busdoc offers to a notebook or a script; `import busdoc` gives all of them, loaded when first used.

Three of them read a recording, one for each use, and take the same things: `postmortem`, `resync` and `baseline`. What
they take is said once, at `postmortem`. `fleet` has many recordings of many machines judged. `docs/python.md` shows
every call at work.
"""

from collections.abc import Iterable, Mapping, Sequence
from os import PathLike, fspath
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, TypedDict

from busdoc.actions.journal import Journal
from busdoc.analysis.baseline import LearntMap
from busdoc.analysis.result import Result
from busdoc.analysis.resync import Resync
from busdoc.capture.source import Capture
from busdoc.decode.database.database import Database
from busdoc.errors import BusdocError, InputError, found_instead
from busdoc.files.parts import needs
from busdoc.machine.machine import Machine
from busdoc.many.result import Fleet
from busdoc.report.words.headline import headline

if TYPE_CHECKING:
    import can
    import pandas as pd

    from busdoc.analysis.reading import Follow
    from busdoc.live.watch import LiveWatch
    from busdoc.many.work.running import Follow as FollowFleet
    from busdoc.simulation.run_folder import RunFiles

__all__ = [
    "BusdocError",
    "Capture",
    "Database",
    "Fleet",
    "InputError",
    "Journal",
    "LearntMap",
    "Machine",
    "Result",
    "Resync",
    "baseline",
    "document",
    "fleet",
    "headline",
    "load_databases",
    "load_journal",
    "load_machine",
    "open_capture",
    "postmortem",
    "resync",
    "simulate",
    "tables",
    "watch",
    "write_report",
    "write_signals",
    "write_tables",
]

AnyPath = str | PathLike[str]
DatabaseFile = AnyPath | tuple[int | str, AnyPath]

_REPORTS = ("all", "trouble", "none")
_SHEETS = ("A4", "Letter")
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


def fleet(
    sources: AnyPath | Iterable[AnyPath],
    folder: AnyPath,
    *,
    databases: AnyPath | Iterable[DatabaseFile] = (),
    machine: AnyPath | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    reports: Literal["all", "trouble", "none"] = "all",
    changed: str | None = None,
    baselines: bool = False,
    progress: "FollowFleet | None" = None,
) -> Fleet:
    """Have many captures of many machines judged, each as by `postmortem`, and say what only all of them tell.

    A script that calls it with workers of its own is guarded with ``if __name__ == "__main__":``, as processes are
    started.

    Parameters
    ----------
    sources : manifests, folders of captures and sessions, captures, names with * and ?, addresses; one or several
    folder : what is written goes there; one with a fleet is gone on with, and what was done is not done again
    databases, machine : for captures that bring none of their own
    workers : processes on this computer; 0: this one alone; None: as many as its cores and memory allow
    cluster : the scheduler of a Dask cluster, such as ``tcp://server:8786``, in the place of workers here
    reports : which captures get a report of their own
    changed : the day on which all machines were changed, such as ``2026-03-31``; None: the manifest says of each
    baselines : whether to learn what each kind of machine does when it is well, as a machine map with limits
    progress : called after each capture with a record of how far the run is: `n_done`, `n_captures`, `left_s` and more

    Returns
    -------
    `findings`, typed records of each kind of machine; `captures`, `controllers`, `parts`, `dropouts` and `failures` as
    pandas frames; `page`, `tables_folder` and `folder` for what was written

    Raises
    ------
    InputError : a source, the folder or the cluster cannot be used; what is wrong with one capture is a row of
        `failures` and raises nothing
    BusdocError : the cluster ended; the same call goes on from what is done

    Examples
    --------
    >>> import busdoc, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     found = busdoc.fleet("captures/sweeper_feed", folder, workers=0, reports="none")
    ...     print(found.captures.groupby("machine")["dropouts"].sum().to_dict(), len(found.failures))
    {'sweeper_feed': 6} 0
    """
    for part in ("tables", "report", "fleet"):
        needs(part, "fleet")
    from busdoc.many.fleet import check_given, day_of_change
    from busdoc.many.fleet import fleet as run
    from busdoc.many.judged import Reports

    if reports not in _REPORTS:
        raise InputError("reports", ", ".join(_REPORTS), f'"{reports}"', "Name one of them.")
    given = [one if isinstance(one, tuple) else (None, one) for one in _database_files(databases)]
    map_file = None if machine is None else Path(machine)
    day = day_of_change(changed)
    check_given(workers=workers, cluster=cluster, databases=given, machine_file=map_file)
    return run(
        [fspath(sources)] if isinstance(sources, str | PathLike) else [fspath(one) for one in sources],
        Path(folder),
        databases=given,
        machine_file=map_file,
        workers=workers,
        cluster=cluster,
        reports=Reports(reports),
        changed=day,
        baselines=baselines,
        follow=progress,
    )


def simulate(scenario: AnyPath, folder: AnyPath, *, seed: int | None = None, suffix: str = ".log") -> "RunFiles":
    """Run a machine, its faults and a technician in software, and write the capture with its truth.

    Parameters
    ----------
    scenario : TOML; `busdoc demo` writes one to begin with
    folder : made when it is not there
    seed : from 0 on, another run of the same scenario; None: its own
    suffix : kind of capture, such as ``.log.gz`` or ``.asc``

    Returns
    -------
    The files: `capture`, `actions`, `truth`, and `machine` and `database` where the scenario has them

    Raises
    ------
    InputError : a scenario that cannot be used, a kind that is not written, or a folder that cannot be

    Examples
    --------
    >>> import busdoc, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     files = busdoc.simulate("captures/sweeper_code/scenario.toml", folder)
    ...     result = busdoc.postmortem(files.capture, machine=files.machine, journal=files.actions)
    >>> len(result.actions) > 0
    True
    """
    from busdoc.simulation.run_folder import files_of_scenario

    if seed is not None and seed < 0:
        raise InputError("seed", "a whole number from 0 on", str(seed), "Leave the sign off.")
    try:
        return files_of_scenario(Path(scenario), Path(folder), seed=seed, suffix=suffix)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error


def watch(
    bus: "can.BusABC | Sequence[can.BusABC]",
    *,
    databases: AnyPath | Iterable[DatabaseFile] = (),
    machine: AnyPath | None = None,
    symptom: str | None = None,
    every_s: float = 0.5,
) -> "LiveWatch":
    """Watch live buses: an iterator of what a screen would show, for a program of your own.

    Parameters
    ----------
    bus : a bus of python-can, or several in the order of their channels; opened by you, and left open. Open it so that
        it keeps silent, where the adapter can: busdoc sends nothing, but an adapter that is not told acknowledges
    databases, machine, symptom : as of `postmortem`
    every_s : from one view to the next, s

    Returns
    -------
    An iterator of `busdoc.live.view.SessionView`, which ends when it is closed. `log(kind, part)` logs what somebody
    does at this instant, `result()` gives the whole result so far, `close()` or the end of a ``with`` ends it

    Raises
    ------
    InputError : a file that cannot be used

    Examples
    --------
    ::

        with can.Bus("can0", interface="socketcan") as bus, busdoc.watch(bus, machine="sweeper.toml") as views:
            for view in views:
                print(view.headline, [row.name for row in view.controllers if row.state == "lost"])
    """
    from busdoc.live.session import LiveSession
    from busdoc.live.watch import LiveWatch, lent_buses

    buses = list(bus) if isinstance(bus, Sequence) else [bus]
    loaded = Machine() if machine is None else load_machine(machine)
    files = _database_files(databases)
    database = load_databases(files) if files else None
    session = LiveSession(lent_buses(buses), loaded, database, asked=symptom)
    return LiveWatch(session, every_s=every_s)


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

    needs("tables", "tables")
    return build(result)


def write_tables(result: Result, folder: AnyPath) -> tuple[Path, ...]:
    """Write every table as CSV and as Parquet; give the files.

    Raises
    ------
    InputError : the folder cannot be written
    """
    from busdoc.report.tables.tables import write_tables as write

    needs("tables", "write_tables")
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

    needs("tables", "write_signals")
    wanted = [patterns] if isinstance(patterns, str) else list(patterns)
    return write_signal_tables(_paths(captures), _database_files(databases), wanted, Path(folder))


def write_report(
    result: Result,
    path: AnyPath,
    *,
    command: str = "",
    fields: Mapping[str, str] = _NO_FIELDS,
    paper: Literal["A4", "Letter"] = "A4",
) -> Path:
    """Write the record of a result, as HTML or PDF by the suffix of `path`; give the path.

    Parameters
    ----------
    command : the command that made the result, if it was one
    fields : `technician`, `serial`, `hours`, `order`, or any other name and text to print at the top
    paper : the sheet of a PDF; a browser prints HTML on whatever sheet it is given

    Raises
    ------
    InputError : another suffix, or a file that cannot be written
    """
    target = Path(path)
    needs("report", "write_report")
    if paper not in _SHEETS:
        raise InputError("paper", "A4 or Letter", f'"{paper}"', "Name one of the two.")
    match target.suffix.lower():
        case ".html" | ".htm":
            from busdoc.report.record.html import write_html

            write_html(result, target, command=command, fields=fields)
        case ".pdf":
            from busdoc.report.record.pdf import write_pdf

            write_pdf(result, target, command=command, fields=fields, paper=paper)
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
