"""The command `baseline`: what a healthy machine looks like, learnt from a recording.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.options import add_quiet_option, add_recording_input
from busdoc.cli.progress import read_with
from busdoc.words.counting import counted, plural

if TYPE_CHECKING:
    from busdoc.analysis.baseline import LearntMap
    from busdoc.resync_check.baseline import LearntController

__all__ = ["add_baseline"]


def add_baseline(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc baseline` to the commands."""
    baseline = commands.add_parser(
        "baseline",
        help="learn from a healthy recording what should be on the bus and when it must be back",
        description="Learns who is on the bus, what each sends and how evenly, when each is back after power-up, and "
        "what the wire ordinarily carries, and writes it as a machine map. A map that is there already keeps every "
        "line; what it lacks is added.",
        epilog="Exit status: 0 written, 2 could not be done.",
    )
    add_recording_input(baseline)
    baseline.add_argument(
        "-o", "--output", type=Path, required=True, metavar="FILE", help="machine map to write, or to add to"
    )
    baseline.add_argument(
        "--machine", type=Path, metavar="FILE", help="machine map to start from (default: that of -o, if it is there)"
    )
    baseline.add_argument("--name", default="Machine", help="what to call the machine in a new map")
    add_quiet_option(baseline)
    baseline.set_defaults(run=_baseline)


def _baseline(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.analysis.baseline import baseline
    from busdoc.report.output import write_text

    output: Path = arguments.output
    machine: Path | None = arguments.machine
    if machine is None and output.exists():
        machine = output
    arguments.machine = machine
    try:
        learnt = read_with(baseline, arguments, surroundings, name=arguments.name)
    except KeyboardInterrupt:  # limits from a part of a recording would look like those from all of it
        print("busdoc: stopped while reading; nothing was learnt, and no map was written.", file=surroundings.stderr)
        return ExitStatus.COULD_NOT
    write_text(output, learnt.text)
    surroundings.stdout.write(_told(learnt, output, surroundings.text_width))
    return ExitStatus.HEALTHY


def _who(learnt: "Sequence[LearntController]") -> str:
    """Count controllers, and apart from them 11-bit identifiers of which nothing says who sends them."""
    from busdoc.machine.controller_spec import Identity

    unnamed = [one for one in learnt if one.identity == Identity()]
    named = [one for one in learnt if one.identity != Identity()]
    n_named, n_unnamed = (sum(len(one.streams) for one in those) for those in (named, unnamed))
    identifiers = f"{counted(n_unnamed, 'identifier')}, whoever sends them"
    if not named and unnamed:
        return identifiers
    controllers = f"{counted(len(named), 'controller')} with {counted(n_named, 'stream')}"
    return f"{controllers} and {identifiers}" if unnamed else controllers


def _told(learnt: "LearntMap", output: Path, width: int) -> str:
    """Say what was learnt, what was added to a map, and what was left out."""
    from busdoc.report.terminal.wrapping import filled

    found = learnt.learnt
    n_limits = sum(one.limit_ns is not None for one in found.controllers)
    head = f"Written to {output}: {_who(found.controllers)}; {counted(found.n_power_ups, 'power-up')} seen whole"
    if n_limits:
        have = counted(n_limits, "controller has", "controllers have")
        head += f"; {have} a limit for {plural(n_limits, 'its', 'their')} return."
    else:
        head += "; it takes three until limits for the return can be learnt."
    parts = [filled(head, width)]
    sections = (
        ("Added", learnt.added),
        ("Stays as it stands, though this recording says otherwise", learnt.kept),
        ("Left out", found.left_out),
    )
    for title, texts in sections:
        if texts:
            rows = [filled(text, width, "  ", "    ") for text in texts[:40]]
            parts.append("\n".join([title, *rows]))
    return "\n\n".join(parts) + "\n"
