"""The command `demo`: the bundled machine, written to a folder and gone through the post-mortem.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import shlex
from pathlib import Path

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.options import add_quiet_option
from busdoc.errors import InputError, found_instead

__all__ = ["add_demo"]


def add_demo(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc demo` to the commands."""
    demo = commands.add_parser(
        "demo",
        help="write the demo machine's recording, map, database and journal, and run the post-mortem on them",
        description="Writes a street sweeper's capture, map, database and journal to a folder, runs the post-mortem "
        "on them, prints the verdict and writes the report.",
        epilog="Exit status: 0 written, 2 could not be done.",
    )
    demo.add_argument(
        "-o", "--output", type=Path, default=Path("busdoc-demo"), metavar="DIR", help="folder to write to"
    )
    add_quiet_option(demo)
    demo.set_defaults(run=_demo)


def _demo(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.analysis.postmortem import postmortem
    from busdoc.files.parts import missing_part
    from busdoc.report.json.document import document
    from busdoc.report.output import write_text
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
    lacking = missing_part("report")
    if lacking is None:
        from busdoc.report.record.html import write_html

        write_html(result, folder / "report.html", command=shlex.join(command))
    import json

    write_text(folder / "verdict.json", json.dumps(document(result), indent=1, ensure_ascii=False) + "\n")
    text = render(result, width=surroundings.width, unicode=True)
    write_text(folder / "verdict.txt", text)
    report = " and report.html." if lacking is None else f"; no report: it {lacking.installed_by}"
    print(
        f"Written to {folder}: the capture, machine map, database, journal, truth, verdict{report}\n",
        file=surroundings.stdout,
    )
    print(
        text if surroundings.unicode else render(result, width=surroundings.width, unicode=False),
        file=surroundings.stdout,
    )
    print(f"The same by hand:\n  {shlex.join(command)}", file=surroundings.stdout)
    return ExitStatus.HEALTHY
