"""The command `postmortem`: the recorded case, end to end.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.options import (
    add_quiet_option,
    add_recording_input,
    add_symptom_option,
    add_zone_option,
    databases,
    report_suffix,
    write_report,
)
from busdoc.cli.progress import read_with
from busdoc.errors import InputError, found_instead

if TYPE_CHECKING:
    from busdoc.analysis.result import Result

__all__ = ["add_postmortem"]

_MOST_OFFSET_S = 3.2e8
"""Ten years."""


def add_postmortem(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc postmortem` to the commands."""
    postmortem = commands.add_parser(
        "postmortem",
        help="the recorded case, end to end: who dropped, when, for how long, and which action did it",
        description="Reads a capture and says which controllers dropped, when, for how long, whether they restarted "
        "or were only unheard, which recorded action did it, and which part is suspected.",
        epilog="Exit status: 0 healthy, 1 trouble found, 2 could not be done.",
    )
    add_recording_input(postmortem)
    postmortem.add_argument(
        "--clock-offset",
        type=float,
        metavar="S",
        help="how far the journal's clock runs ahead of the recording's, in seconds; without it, it is looked for",
    )
    postmortem.add_argument("--machine", type=Path, metavar="FILE", help="machine map (TOML)")
    add_symptom_option(postmortem)
    add_zone_option(postmortem)
    how_much = postmortem.add_mutually_exclusive_group()
    how_much.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
    how_much.add_argument("--brief", action="store_true", help="print the short page: at most 25 lines")
    how_much.add_argument("--all", action="store_true", help="print all the evidence as well")
    postmortem.add_argument("--tables", type=Path, metavar="DIR", help="write tables as CSV and Parquet")
    postmortem.add_argument(
        "--signals",
        action="append",
        default=[],
        metavar="PATTERN",
        help="add tables of the decoded signals that match, such as 'HopperStatus.*' or '*Supply*'; needs --tables and "
        "--db; may be given several times",
    )
    postmortem.add_argument("--report", type=Path, metavar="FILE", help="write the report: FILE.html or FILE.pdf")
    postmortem.add_argument(
        "--field",
        action="append",
        default=[],
        metavar="NAME=TEXT",
        help="a line of the report's head: technician, serial, hours, order, or any other; may be given several times",
    )
    postmortem.add_argument(
        "--paper", choices=("A4", "Letter"), default="A4", help="sheet of a PDF report (default A4)"
    )
    add_quiet_option(postmortem)
    postmortem.set_defaults(run=_postmortem)


def _postmortem(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.analysis.postmortem import postmortem

    fields = _report_fields(arguments)  # hours of reading must not end at a slip of the pen
    files = databases(arguments)
    if arguments.tables is not None:
        from busdoc.files.parts import needs

        needs("tables", "--tables")
    if arguments.signals:
        _check_signals(arguments, files)
    if arguments.report is not None:
        from busdoc.report.record.html import prepare

        named = [arguments.machine, arguments.actions, *(Path(text.rpartition("=")[2]) for text in arguments.db)]
        prepare([path for path in (*arguments.capture, *named) if path is not None and path.is_file()])
    result = read_with(
        postmortem,
        arguments,
        surroundings,
        stops=True,
        symptom=arguments.symptom,
        clock_offset_s=_clock_offset_s(arguments.clock_offset),
    )
    if arguments.tables is not None:
        _write_tables(result, arguments, files)
    if arguments.report is not None:
        write_report(result, arguments.report, words=arguments.words, fields=fields, paper=arguments.paper)
    with contextlib.suppress(BrokenPipeError):  # the reader has seen enough; the status is still owed to the script
        _print_result(result, arguments, surroundings)
    return ExitStatus.TROUBLE if result.trouble else ExitStatus.HEALTHY


def _clock_offset_s(given: float | None) -> float | None:
    """Check the offset that was given.

    Raises
    ------
    InputError : it is no time
    """
    if given is not None and not abs(given) < _MOST_OFFSET_S:
        raise InputError(
            "--clock-offset", "seconds, within ten years", f"{given}", "Write for example --clock-offset 60."
        )
    return given


def _write_tables(
    result: "Result", arguments: argparse.Namespace, files: "list[Path | tuple[int | str, Path]]"
) -> None:
    """Write every table that was asked for, or none."""
    from busdoc.files.staged import staged_folder
    from busdoc.report.tables.signal_tables import write_signal_tables
    from busdoc.report.tables.tables import is_table, write_tables

    folder: Path = arguments.tables
    try:
        with staged_folder(folder, is_table) as stage:
            write_tables(result, stage)
            if arguments.signals:
                write_signal_tables(arguments.capture, files, arguments.signals, stage)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another folder."
        ) from error


def _check_signals(arguments: argparse.Namespace, files: "list[Path | tuple[int | str, Path]]") -> None:
    """See before the capture is read that the signals asked for are there, and where to write them."""
    from busdoc.decode.database.database import load_databases
    from busdoc.decode.signals.selection import chosen_signals

    for given, option in ((arguments.tables, "--tables DIR"), (arguments.db, "--db FILE")):
        if not given:
            raise InputError("--signals", f"{option} beside it", "none", f"Add {option}.")
    chosen_signals(load_databases(files).messages, arguments.signals)


def _report_fields(arguments: argparse.Namespace) -> dict[str, str]:
    """Check what was asked of the report; give the lines of its head."""
    fields = {}
    for text in arguments.field:
        name, mark, value = text.partition("=")
        if not mark or not name.strip():
            raise InputError("--field", "NAME=TEXT", text, "Write for example --field order=4711.")
        fields[name.strip()] = value.strip()
    report_suffix(arguments.report)
    return fields


def _print_result(result: "Result", arguments: argparse.Namespace, surroundings: Surroundings) -> None:
    if arguments.json:
        from busdoc.report.json.document import document, print_document

        print_document(document(result), surroundings.stdout)
        return
    from busdoc.report.terminal.terminal import Extent, render

    extent = Extent.BRIEF if arguments.brief else Extent.ALL if arguments.all else Extent.USUAL
    surroundings.stdout.write(render(result, width=surroundings.width, unicode=surroundings.unicode, extent=extent))
