"""The command `fleet`: many captures of many machines.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
import os
import shlex
import time
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.options import add_database_option, add_zone_option, databases
from busdoc.cli.status_line import StatusLine
from busdoc.errors import InputError
from busdoc.words.counting import counted
from busdoc.words.duration import span

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdoc.fleet.conclusions.findings import Findings
    from busdoc.fleet.kept.store import FleetStore
    from busdoc.fleet.work.engine import Engine
    from busdoc.fleet.work.running import RunSoFar

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
    from busdoc.fleet.intake.sources import captures_of
    from busdoc.fleet.kept.store import FleetStore
    from busdoc.fleet.work.running import list_captures

    _check(arguments)
    store = FleetStore(arguments.output)
    try:
        given = [one if isinstance(one, tuple) else (None, one) for one in databases(arguments)]
        captures = captures_of(
            arguments.source,
            machine_file=None if arguments.machine is None else str(arguments.machine.absolute()),
            databases=[(channel, str(file.absolute())) for channel, file in given],
        )
        list_captures(store, captures, zone=arguments.zone)
        try:
            _judge(arguments, surroundings, store)
        except KeyboardInterrupt:
            n_left = store.counts().get(None, 0)
            left = f"{counted(n_left, 'capture')} left; the same command goes on from there."
            print(f"busdoc: stopped, {left}", file=surroundings.stderr)
            return ExitStatus.COULD_NOT
        return _conclude(arguments, surroundings, store)
    finally:
        store.close()


def _check(arguments: argparse.Namespace) -> None:
    """See that what was typed can be done, before anything is read.

    Raises
    ------
    InputError : it cannot
    """
    from busdoc.decode.database.bus_of_file import split_bus

    if arguments.workers is not None and arguments.workers < 0:
        raise InputError("--workers", "a whole number from 0 on", str(arguments.workers), "Leave the sign off.")
    if arguments.workers is not None and arguments.cluster is not None:
        raise InputError("--workers", "no --cluster beside it", "one", "Leave one out.")
    if arguments.changed is not None:
        try:
            arguments.changed = date.fromisoformat(arguments.changed).isoformat()
        except ValueError as error:
            advice = "Write for example --changed 2026-03-31."
            raise InputError("--changed", "a day", f'"{arguments.changed}"', advice) from error
    for option, file in (("--machine", arguments.machine), *(("--db", one) for one in _database_files(arguments))):
        if option == "--db" and file is not None and split_bus(file)[1]:
            advice = "Give the file alone, or export that bus by itself."
            raise InputError(f"--db {file}", "a file, of which a fleet takes all buses", "one bus of it", advice)
        if file is not None and not file.is_file():
            raise InputError(f"{option} {file}", "a file", "nothing by this name", "Check the path.")


def _database_files(arguments: argparse.Namespace) -> list[Path]:
    return [one[1] if isinstance(one, tuple) else one for one in databases(arguments)]


def _judge(arguments: argparse.Namespace, surroundings: Surroundings, store: "FleetStore") -> None:
    """Judge what was not judged before, on this computer or a cluster."""
    from busdoc.fleet.work.engine import Here, open_dask

    if arguments.workers == 0:
        _run(arguments, surroundings, store, Here())
        return
    with open_dask(arguments.cluster, arguments.workers) as engine:
        if engine.dashboard is not None:
            print(f"Dashboard: {engine.dashboard}", file=surroundings.stderr)
        _run(arguments, surroundings, store, engine)


def _run(arguments: argparse.Namespace, surroundings: Surroundings, store: "FleetStore", engine: "Engine") -> None:
    from busdoc.fleet.judged import Reports
    from busdoc.fleet.work.running import run

    line = _ProgressLine(surroundings)
    try:
        run(store, engine, zone=arguments.zone, reports=Reports(arguments.reports), follow=line.show)
    finally:
        line.wipe()


class _ProgressLine:
    """One line on stderr that says how far the run is; silent unless a person watches."""

    def __init__(self, surroundings: Surroundings) -> None:
        self._line = StatusLine(surroundings.stderr, surroundings.width - 1) if surroundings.shows_progress else None
        self._drawn_s = 0.0

    def show(self, so_far: "RunSoFar") -> None:
        """Draw it anew, a few times a second."""
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


def _conclude(arguments: argparse.Namespace, surroundings: Surroundings, store: "FleetStore") -> ExitStatus:
    """Write tables and pages, and say on the terminal what many captures tell."""
    from busdoc.fleet.conclusions.finding import find
    from busdoc.fleet.kept.tables import write_tables
    from busdoc.fleet.told.page import write_pages
    from busdoc.fleet.told.terminal import render_fleet
    from busdoc.fleet.told.words import worse_parts

    tables = write_tables(store)
    found = find(store.lines(), changed=arguments.changed or "")
    page = write_pages(store, found, command=shlex.join(["busdoc", *arguments.words]))
    width = max(60, min(surroundings.width, 160))
    written = [str(page), f"{tables}{os.sep}", *(_baselines(store, found) if arguments.baseline else ())]
    surroundings.stdout.write(render_fleet(found, width=width, written=written))
    if not found.n_judged:
        return ExitStatus.COULD_NOT
    return ExitStatus.TROUBLE if found.inspect or worse_parts(found) else ExitStatus.HEALTHY


def _baselines(store: "FleetStore", found: "Findings") -> "Iterator[str]":
    """Learn a baseline of each kind, and say in a line what of."""
    from busdoc.fleet.baselines import learn_baselines

    for one in learn_baselines(store, found):
        if one.path is None:
            yield f"no baseline of {one.kind}: {one.sentence}"
            continue
        limits = counted(one.n_limits, "controller with a limit", "controllers with a limit")
        yield (
            f"{one.path} (learnt from {counted(one.n_captures, 'healthy capture')} of "
            f"{counted(one.n_machines, 'machine')}; {limits} for the return)"
        )
