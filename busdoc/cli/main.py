"""The command line: parses what was typed, runs one command, turns errors into sentences and exit statuses.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import contextlib
import io
import json
import os
import shlex
import sys
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.isolate import add_isolate
from busdoc.cli.options import add_database_option, databases, report_suffix, write_report
from busdoc.cli.record import add_record
from busdoc.cli.resync import add_baseline, add_resync
from busdoc.errors import BusdocError, InputError, found_instead

if TYPE_CHECKING:
    from busdoc.analysis.result import Result

__all__ = ["build_parser", "main", "run"]

_WELCOME = """\
busdoc finds out why controllers drop off a CAN bus: live or from a recording, with a message database, a machine map
and a journal of what was unplugged and plugged.

At the machine: watch the bus while you unplug and plug, and be told which part it is
    busdoc isolate --bus socketcan:can0 --machine sweeper.toml --db sweeper.dbc

Isolation from a recording: which branch, and which part on it, takes the controller down?
    busdoc postmortem session.log --machine sweeper.toml --db sweeper.dbc --actions actions.csv

Post-mortem: a recording of hours, and a dropout that will not show while you stand there
    busdoc postmortem day1.log.gz day2.log.gz --db sweeper.dbc

After a power cycle: is every controller back in step, and when?
    busdoc resync power-cycle.log --machine sweeper.toml

See it work on a machine of our own:  busdoc demo
All commands:                         busdoc --help
"""


def build_parser() -> argparse.ArgumentParser:
    """Build the parser of every command."""
    parser = argparse.ArgumentParser(
        prog="busdoc",
        description="CAN bus capture analyser for controller health. It listens and never transmits.",
        epilog="Exit status: 0 analysed and healthy, 1 analysed and trouble found, 2 could not be done.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    _add_demo(commands)
    _add_postmortem(commands)
    add_isolate(commands)
    _add_simulate(commands)
    add_resync(commands)
    add_baseline(commands)
    add_record(commands)
    return parser


class _Version(argparse.Action):
    """Looks the version up where it was installed only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from busdoc import __version__

        print(f"busdoc {__version__}")
        parser.exit()


def _add_demo(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    demo = commands.add_parser(
        "demo",
        help="write the demo machine's recording, map, database and journal, and run the post-mortem on them",
        description="Writes a street sweeper's capture, map, database and journal to a folder, runs the post-mortem "
        "on them, prints the verdict and writes the report.",
    )
    demo.add_argument(
        "-o", "--output", type=Path, default=Path("busdoc-demo"), metavar="DIR", help="folder to write to"
    )
    demo.set_defaults(run=_demo)


def _add_postmortem(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    postmortem = commands.add_parser(
        "postmortem",
        help="the recorded case, end to end: who dropped, when, for how long, and which action did it",
        description="Reads a capture and says which controllers dropped, when, for how long, whether they restarted "
        "or were only unheard, which recorded action did it, and which part is suspected.",
    )
    postmortem.add_argument(
        "capture", nargs="+", type=Path, metavar="CAPTURE", help="capture files, or folders of them"
    )
    add_database_option(postmortem)
    postmortem.add_argument("--machine", type=Path, metavar="FILE", help="machine map (TOML)")
    postmortem.add_argument("--actions", type=Path, metavar="FILE", help="journal of what was done (CSV)")
    postmortem.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
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
    postmortem.set_defaults(run=_postmortem)


def _add_simulate(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    simulate = commands.add_parser(
        "simulate",
        help="make a capture with its truth from a scenario",
        description="Runs a machine, its faults and a technician in software, and writes the capture, journal, map, "
        "database and the truth to a folder.",
    )
    simulate.add_argument("scenario", type=Path, metavar="SCENARIO.toml")
    simulate.add_argument("-o", "--output", type=Path, required=True, metavar="DIR", help="folder to write to")
    simulate.add_argument("--seed", type=int, default=None, help="another run of the same scenario")
    simulate.add_argument(
        "--suffix", default=".log", help="kind of capture: .log, .log.gz, .asc, .blf, … (default .log)"
    )
    simulate.set_defaults(run=_simulate)


def _demo(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.analysis.postmortem import postmortem
    from busdoc.report.json.document import document
    from busdoc.report.output import write_text
    from busdoc.report.record.html import write_html
    from busdoc.report.terminal.terminal import render
    from busdoc.simulation.demo import write_demo

    folder: Path = arguments.output
    try:
        files = write_demo(folder)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another with -o."
        ) from error
    result = postmortem(
        [files.capture], databases=[files.database], machine_file=files.machine, journal_file=files.actions
    )
    command = [
        *("busdoc", "postmortem", str(files.capture), "--db", str(files.database)),
        *("--machine", str(files.machine), "--actions", str(files.actions)),
    ]
    write_html(result, folder / "report.html", command=shlex.join(command))
    write_text(folder / "verdict.json", json.dumps(document(result), indent=1, ensure_ascii=False) + "\n")
    text = render(result, width=surroundings.width, unicode=True)
    write_text(folder / "verdict.txt", text)
    print(
        f"Written to {folder}: the capture, machine map, database, journal, truth, verdict and report.html.\n",
        file=surroundings.stdout,
    )
    print(
        text if surroundings.unicode else render(result, width=surroundings.width, unicode=False),
        file=surroundings.stdout,
    )
    print(f"The same by hand:\n  {shlex.join(command)}", file=surroundings.stdout)
    return ExitStatus.HEALTHY


def _postmortem(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.analysis.postmortem import postmortem
    from busdoc.cli.progress import read_recording

    fields = _report_fields(arguments)  # hours of reading must not end at a slip of the pen
    files = databases(arguments)
    if arguments.signals:
        _check_signals(arguments, files)
    if arguments.report is not None:
        from busdoc.report.record.html import prepare

        named = [arguments.machine, arguments.actions, *(Path(text.rpartition("=")[2]) for text in arguments.db)]
        prepare([path for path in (*arguments.capture, *named) if path is not None and path.is_file()])
    result = read_recording(postmortem, arguments, surroundings)
    if arguments.tables is not None:
        from busdoc.report.tables.tables import write_tables

        write_tables(result, arguments.tables)
        if arguments.signals:
            from busdoc.report.tables.signal_tables import write_signal_tables

            write_signal_tables(arguments.capture, files, arguments.signals, arguments.tables)
    if arguments.report is not None:
        write_report(result, arguments.report, words=arguments.words, fields=fields, paper=arguments.paper)
    with contextlib.suppress(BrokenPipeError):  # the reader has seen enough; the status is still owed to the script
        _print_result(result, arguments, surroundings)
    return ExitStatus.TROUBLE if result.trouble else ExitStatus.HEALTHY


def _check_signals(arguments: argparse.Namespace, files: "list[Path | tuple[int | str, Path]]") -> None:
    """See before the capture is read that the signals asked for are there, and where to write them."""
    from busdoc.decode.database.database import load_databases
    from busdoc.report.tables.signal_tables import chosen_signals

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
    from busdoc.report.terminal.terminal import render

    surroundings.stdout.write(render(result, width=surroundings.width, unicode=surroundings.unicode))


def _simulate(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.simulation.run_folder import run_scenario_file

    seed: int | None = arguments.seed
    if seed is not None and seed < 0:
        raise InputError("--seed", "a whole number from 0 on", str(seed), "Leave the sign off.")
    folder: Path = arguments.output
    try:
        run_scenario_file(arguments.scenario, folder, seed=seed, suffix=arguments.suffix)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another with -o."
        ) from error
    print(f"Written to {arguments.output}.", file=surroundings.stdout)
    return ExitStatus.HEALTHY


def main(argv: Sequence[str] | None = None, surroundings: Surroundings | None = None) -> ExitStatus:
    """Run one command and give its exit status; every `BusdocError` becomes one sentence on stderr."""
    surroundings = surroundings or Surroundings()
    argv = sys.argv[1:] if argv is None else argv
    if not argv:
        surroundings.stdout.write(_WELCOME)
        return ExitStatus.HEALTHY
    arguments = build_parser().parse_args(argv)
    arguments.words = list(argv)
    command: Callable[[argparse.Namespace, Surroundings], ExitStatus] | None = getattr(arguments, "run", None)
    if command is None:
        build_parser().print_help(surroundings.stdout)
        return ExitStatus.HEALTHY
    try:
        return command(arguments, surroundings)
    except BusdocError as error:
        print(f"busdoc: {error}", file=surroundings.stderr)
        return ExitStatus.COULD_NOT
    except KeyboardInterrupt:
        print("busdoc: stopped.", file=surroundings.stderr)
        return ExitStatus.COULD_NOT


def run() -> NoReturn:
    """Start the program: the entry point of the `busdoc` command.

    A bug keeps its traceback, but ends with status 2: Python's own 1 would tell a script that trouble was found.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot show ends nothing
    status = ExitStatus.HEALTHY
    try:
        status = main()
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:  # the reader of our output has gone, for example `busdoc … | head`
        _let_go_of_stdout()
    except OSError as error:
        _let_go_of_stdout()
        print(f"busdoc: could not write the result: {error}", file=sys.stderr)
        status = ExitStatus.COULD_NOT
    except Exception:
        traceback.print_exc()
        status = ExitStatus.COULD_NOT
    sys.exit(status)


def _let_go_of_stdout() -> None:
    """Send what is still to be flushed nowhere, so that the interpreter's own flush at the end does not fail again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
