"""The command `fleet`: many captures of many machines.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import os
import shlex
import time
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.options import add_database_option, add_zone_option, databases
from busdoc.cli.status_line import StatusLine
from busdoc.words.counting import counted
from busdoc.words.duration import span

if TYPE_CHECKING:
    from busdoc.many.baselines import KindBaseline
    from busdoc.many.work.running import RunSoFar

__all__ = ["add_fleet"]

_EVERY_S = 0.2


def add_fleet(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc fleet` to the commands."""
    fleet = commands.add_parser(
        "fleet",
        help="many captures of many machines: who drops most, is it getting worse, what to inspect next",
        description="Judges every capture as busdoc postmortem would, on all cores or on a cluster, and then says what "
        "only many can tell: which machines, controllers and parts drop most for each hour of operation, whether it is "
        "getting worse, whether a change helped, and what to inspect next. A run that ends is gone on with by the same "
        "command; what was done is not done again.",
        epilog="Exit status: 0 nothing to inspect, 1 a machine or a part to inspect, 2 could not be done.",
    )
    fleet.add_argument(
        "source",
        nargs="+",
        metavar="SOURCE",
        help="a manifest (CSV with the columns machine and file), folders of captures and sessions, capture files, "
        "names with * and ?, or addresses such as s3://park/captures",
    )
    fleet.add_argument("-o", "--output", type=Path, required=True, metavar="DIR", help="folder to write to")
    fleet.add_argument(
        "--machine", type=Path, metavar="FILE", help="machine map (TOML) for captures that bring none of their own"
    )
    add_database_option(fleet)
    fleet.add_argument(
        "--workers",
        type=int,
        metavar="N",
        help="processes that judge side by side (default: as many as cores and memory allow); 0 for this one alone",
    )
    fleet.add_argument(
        "--cluster", metavar="ADDRESS", help="the scheduler of a Dask cluster, such as tcp://server:8786"
    )
    fleet.add_argument(
        "--reports",
        choices=("all", "trouble", "none"),
        default="all",
        help="which captures get a report of their own (default all)",
    )
    fleet.add_argument(
        "--changed",
        metavar="DAY",
        help="the day, such as 2026-03-31, on which all machines were changed (a new harness, new software): dropouts "
        "after it are compared with those before; the manifest's column changed gives each machine its own",
    )
    fleet.add_argument(
        "--baseline",
        action="store_true",
        help="also learn from healthy captures of healthy machines what each kind does when it is well, and write it "
        "as a machine map",
    )
    add_zone_option(fleet)
    fleet.set_defaults(run=_fleet)


def _fleet(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.files.parts import needs

    for part in ("tables", "report", "fleet"):
        needs(part, "busdoc fleet")
    from busdoc.many.fleet import check_given, day_of_change, fleet
    from busdoc.many.judged import Reports
    from busdoc.many.told.terminal import render_fleet
    from busdoc.many.told.words import worse_parts

    given = [one if isinstance(one, tuple) else (None, one) for one in databases(arguments)]
    changed = day_of_change(arguments.changed, "--")
    check_given(
        workers=arguments.workers,
        cluster=arguments.cluster,
        databases=given,
        machine_file=arguments.machine,
        dashes="--",
    )
    line = _ProgressLine(surroundings)
    try:
        made = fleet(
            arguments.source,
            arguments.output,
            databases=given,
            machine_file=arguments.machine,
            workers=arguments.workers,
            cluster=arguments.cluster,
            reports=Reports(arguments.reports),
            changed=changed,
            baselines=arguments.baseline,
            zone=arguments.zone,
            command=shlex.join(["busdoc", *arguments.words]),
            follow=line.show,
            dashboard=lambda address: print(f"Dashboard: {address}", file=surroundings.stderr),
        )
    except KeyboardInterrupt:
        line.wipe()
        left = f"{counted(line.n_left, 'capture')} left; " if line.n_left else ""
        print(f"busdoc: stopped, {left}the same command goes on from there.", file=surroundings.stderr)
        return ExitStatus.COULD_NOT
    finally:
        line.wipe()
    found = made.findings
    written = [str(made.page), f"{made.tables_folder}{os.sep}", *map(_told, made.baselines)]
    width = max(60, min(surroundings.width, 160))
    surroundings.stdout.write(render_fleet(found, width=width, written=written))
    if not found.n_judged:
        return ExitStatus.COULD_NOT
    return ExitStatus.TROUBLE if found.inspect or worse_parts(found) else ExitStatus.HEALTHY


class _ProgressLine:
    """One line on stderr that says how far the run is; silent unless a person watches."""

    def __init__(self, surroundings: Surroundings) -> None:
        self._line = StatusLine(surroundings.stderr, surroundings.width - 1) if surroundings.shows_progress else None
        self._drawn_s = 0.0
        self.n_left = 0
        """Captures, once the first is done."""

    def show(self, so_far: "RunSoFar") -> None:
        """Draw it anew, a few times a second."""
        self.n_left = so_far.n_captures - so_far.n_done
        if self._line is None or time.monotonic() - self._drawn_s < _EVERY_S:
            return
        self._drawn_s = time.monotonic()
        text = f"{so_far.n_done:,} of {counted(so_far.n_captures, 'capture')}"
        if so_far.n_known:
            text += f" ({so_far.n_known:,} done before)"
        if so_far.n_could_not:
            text += f", {so_far.n_could_not:,} could not be read"
        if so_far.n_workers:
            text += f", {counted(so_far.n_workers, 'worker')}"
        if so_far.left_s is not None:
            text += f", about {span(so_far.left_s)} left"
        self._line.draw(text)

    def wipe(self) -> None:
        """Take it away."""
        if self._line is not None:
            self._line.wipe()


def _told(one: "KindBaseline") -> str:
    """Say in a line what a baseline was learnt of."""
    if one.path is None:
        return f"no baseline of {one.kind}: {one.sentence}"
    limits = counted(one.n_limits, "controller with a limit", "controllers with a limit")
    return (
        f"{one.path} (learnt from {counted(one.n_captures, 'healthy capture')} of "
        f"{counted(one.n_machines, 'machine')}; {limits} for the return)"
    )
