"""The command line: parses what was typed, runs one command, turns errors into sentences and exit statuses.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import atexit
import gc
import io
import os
import sys
import threading
from collections.abc import Callable, Sequence
from typing import NoReturn

from busdoc.cli.baseline import add_baseline
from busdoc.cli.demo import add_demo
from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.first_minute.ready import add_ready
from busdoc.cli.given.patterns import expand_patterns
from busdoc.cli.given.standard_input import standard_input_as_file
from busdoc.cli.isolate import add_isolate
from busdoc.cli.many.fleet import add_fleet
from busdoc.cli.options import is_silent, private_files
from busdoc.cli.postmortem import add_postmortem
from busdoc.cli.record import add_record
from busdoc.cli.resync import add_resync
from busdoc.cli.shell.commands import add_completion, add_manual
from busdoc.cli.simulate import add_simulate
from busdoc.errors import BusdocError, InputError, found_instead
from busdoc.times import times_of_day_in

__all__ = ["build_parser", "main", "run"]

_COLLECT = (50_000, 20, 50)
"""Objects are collected less often than usual: importing makes many, and nearly all of them stay."""


def build_parser() -> argparse.ArgumentParser:
    """Build the parser of every command."""
    parser = argparse.ArgumentParser(
        prog="busdoc",
        description="CAN bus capture analyser for controller health. It listens and never transmits.",
        epilog="Exit status: 0 analysed and healthy, 1 analysed and trouble found, 2 could not be done.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show program's version number and exit")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    add_demo(commands)
    add_postmortem(commands)
    add_isolate(commands)
    add_simulate(commands)
    add_resync(commands)
    add_baseline(commands)
    add_record(commands)
    add_fleet(commands)
    add_ready(commands)
    add_completion(commands, build_parser)
    add_manual(commands, build_parser)
    return parser


class _Version(argparse.Action):
    """Looks the version up where it was installed only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from busdoc import __version__

        print(f"busdoc {__version__}")
        parser.exit()


def main(argv: Sequence[str] | None = None, surroundings: Surroundings | None = None) -> ExitStatus:
    """Run one command and give its exit status; every `BusdocError` becomes one sentence on stderr."""
    surroundings = surroundings or Surroundings()
    argv = sys.argv[1:] if argv is None else argv
    if not argv:
        from busdoc.cli.first_minute.welcome import welcome

        surroundings.stdout.write(welcome(surroundings.text_width))
        return ExitStatus.HEALTHY
    arguments = build_parser().parse_args(argv)
    arguments.words = list(argv)
    command: Callable[[argparse.Namespace, Surroundings], ExitStatus] | None = getattr(arguments, "run", None)
    if command is None:
        build_parser().print_help(surroundings.stdout)
        return ExitStatus.HEALTHY
    if is_silent(arguments):
        surroundings = surroundings.silenced(but_stdout=getattr(arguments, "json", False))
    try:
        expand_patterns(arguments)
        with (
            times_of_day_in(getattr(arguments, "zone", None)),
            standard_input_as_file(arguments),
            private_files(arguments),
        ):
            return command(arguments, surroundings)
    except BusdocError as error:
        print(f"busdoc: {error}", file=surroundings.stderr)
        return ExitStatus.COULD_NOT
    except OSError as error:  # below a folder without rights, or by a name too long, even asking for a file fails
        if error.filename is None:
            raise
        told = InputError(
            str(error.filename),
            "a place that can be read and written",
            found_instead(error),
            "Name another, or check its rights.",
        )
        print(f"busdoc: {told}", file=surroundings.stderr)
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
    gc.set_threshold(*_COLLECT)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # our matrices are small, and starting threads takes 20 ms
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
        import traceback

        traceback.print_exc()
        status = ExitStatus.COULD_NOT
    _leave(status)


def _leave(status: ExitStatus) -> NoReturn:
    """End the process without taking it apart piece by piece, which costs 0.3 s where compiled code was loaded."""
    if threading.active_count() == 1:  # else somebody is still at work, and is waited for
        atexit._run_exitfuncs()
        try:
            for stream in (sys.stdout, sys.stderr):
                if stream is not None:
                    stream.flush()
        except (OSError, ValueError):  # nobody reads any more
            pass
        os._exit(status)
    sys.exit(status)


def _let_go_of_stdout() -> None:
    """Send what is still to be flushed nowhere, so that the interpreter's own flush at the end does not fail again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
