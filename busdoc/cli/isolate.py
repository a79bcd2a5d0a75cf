"""`busdoc isolate`: the session at the machine, on a screen or line by line. Everything heavy is imported inside."""

import argparse
import contextlib
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings, ended_by_signals
from busdoc.cli.given.page_options import add_page_options, open_page
from busdoc.cli.options import (
    add_also_option,
    add_bus_option,
    add_database_option,
    add_shared_option,
    add_symptom_option,
    add_zone_option,
    databases,
    load_inputs,
    open_source,
    report_suffix,
    write_report,
)
from busdoc.cli.running.line_by_line import run_line_by_line
from busdoc.cli.running.practising import OWN_SCENARIO, practise
from busdoc.errors import InputError

if TYPE_CHECKING:
    from busdoc.analysis.result import Result
    from busdoc.capture.listening import FrameSource
    from busdoc.live.programs.cured_record import CuredRecord
    from busdoc.live.session import LiveSession

__all__ = ["add_isolate"]

_RECORD = "record.html"
"""What is written into the folder of a session by itself."""


def add_isolate(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    isolate = commands.add_parser(
        "isolate",
        help="the live case: watch the buses while you unplug, plug and switch, and be told which part it is",
        description="Listens to one or more buses, or plays a recording back, keeps what is heard and what you do in a "
        "folder, and says at every moment which controllers are in step, which part is suspected, and what to do next. "
        "It never transmits.",
        epilog="Exit status: 0 healthy, 1 trouble found, 2 could not be done.",
    )
    add_bus_option(isolate)
    isolate.add_argument(
        "--no-bus",
        action="store_true",
        help="listen to nothing: only what you do counts, and what you see (keys f and g, or seen and gone)",
    )
    add_symptom_option(isolate)
    isolate.add_argument("--replay", action="append", default=[], type=Path, metavar="CAPTURE", help="play a recording")
    isolate.add_argument(
        "--practice",
        nargs="?",
        const=OWN_SCENARIO,
        metavar="SCENARIO.toml",
        help="practise on a machine in software that reacts to what you log (default: the bundled street sweeper)",
    )
    isolate.add_argument(
        "--slow-hands", action="store_true", help="with --practice: each thing is done a second or so before its press"
    )
    isolate.add_argument("--seed", type=int, help="with --practice: another run of the same scenario")
    isolate.add_argument(
        "--speed",
        metavar="X",
        help="with --replay or --practice: how many times faster (default 1); with --replay also max: as fast as it "
        "goes",
    )
    isolate.add_argument("--machine", type=Path, metavar="FILE", help="machine map (TOML)")
    add_database_option(isolate)
    isolate.add_argument(
        "--actions", type=Path, metavar="FILE", help="with --replay: a journal whose presses are played"
    )
    isolate.add_argument(
        "--session",
        type=Path,
        metavar="DIR",
        help="folder to keep the session in; one that holds a session is gone on with (default: a new one, named by "
        "the time; none for --replay)",
    )
    add_also_option(isolate)
    add_shared_option(isolate)
    isolate.add_argument("--plain", action="store_true", help="line by line instead of a screen")
    isolate.add_argument("--quiet", action="store_true", help="ring no bell")
    isolate.add_argument("--on-event", metavar="COMMAND", help="run a command with each thing that happens")
    isolate.add_argument(
        "--report", type=Path, metavar="FILE", help="at the end, write the report: FILE.html or FILE.pdf"
    )
    add_page_options(isolate)
    add_zone_option(isolate)
    isolate.add_argument("--json", action="store_true", help="at the end, print one JSON document and nothing else")
    isolate.set_defaults(run=_isolate)


def _isolate(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    report_suffix(arguments.report)
    if arguments.actions is not None and not arguments.replay:
        raise InputError("--actions", "--replay beside it", "a live bus", "Live, log what you do as you do it.")
    if arguments.bus and arguments.replay:
        raise InputError("--bus", "either --bus or --replay", "both", "Leave one out.")
    if arguments.no_bus and (arguments.bus or arguments.replay):
        raise InputError("--no-bus", "neither --bus nor --replay beside it", "one of them", "Leave one out.")
    if arguments.practice is not None and (arguments.bus or arguments.replay or arguments.no_bus or arguments.machine):
        raise InputError(
            "--practice", "no --bus, --no-bus, --replay or --machine beside it", "one of them", "Leave one out."
        )
    if arguments.practice is None and (arguments.slow_hands or arguments.seed is not None):
        raise InputError("--slow-hands and --seed", "--practice beside them", "a machine", "Leave them out.")
    from busdoc.live.on_event import EventCommand

    runner = EventCommand(arguments.on_event) if arguments.on_event else None
    page = open_page(arguments, arguments.session)
    try:
        session = _open(arguments, databases(arguments), surroundings)
    except InputError:
        if page is not None:
            page.close()
        raise
    if runner is not None:
        session.listeners.append(runner.hear)
    record = _record_when_cured(session, arguments)
    try:
        session.start()
    except InputError:
        session.abandon()
        if page is not None:
            page.close()
        raise
    with contextlib.ExitStack() as around:
        if runner is not None:
            around.callback(runner.close)
        around.callback(session.close)
        if record is not None:
            around.callback(record.close)
        if page is not None:
            from busdoc.page.hosts.isolate import IsolateHost

            tick = around.enter_context(page.served(IsolateHost(session), session.folder_path, surroundings.warn))
            session.followers.append(tick)
        if arguments.actions is not None:
            from busdoc.actions.journal import load_journal

            start_ns = session.source.now_ns()
            journal = load_journal(arguments.actions, session.machine, start_ns=start_ns, epoch=session.source.epoch)
            session.play(journal.actions)
        if arguments.plain or arguments.json:
            run_line_by_line(session, arguments, surroundings, page)
        else:
            from busdoc.screen.app import run_screen

            with ended_by_signals() as stopping:
                phone = None if page is None else page.texts
                run_screen(session, quiet=arguments.quiet, on_event=None, ended=stopping.is_set, phone=phone)
    if record is not None and record.heard:
        arguments.report = arguments.report or record.path
    return _conclude(session, arguments, surroundings)


def _record_when_cured(session: "LiveSession", arguments: argparse.Namespace) -> "CuredRecord | None":
    """Have the record written once a repair is proved: where it was asked for, else into the session's folder."""
    from busdoc.live.programs.cured_record import CuredRecord

    folder = session.folder_path
    if folder is None:
        return None
    zone = getattr(arguments, "zone", None)
    extra = ("--zone", str(zone)) if zone else ()
    record = CuredRecord(folder, arguments.report or folder / _RECORD, extra=extra)
    session.listeners.append(record.hear)
    session.writes_record = record.look
    return record


def _open(
    arguments: argparse.Namespace, files: list[Path | tuple[int | str, Path]], surroundings: Surroundings
) -> "LiveSession":
    """Open the source, the folder and the session; nothing is listened to yet."""
    from datetime import UTC, datetime

    from busdoc import __version__
    from busdoc.live.session import LiveSession
    from busdoc.session.folder import SessionFolder, is_session

    if arguments.practice is not None:
        return practise(arguments, files, surroundings)
    machine_file: Path | None = arguments.machine
    machine, database = load_inputs(machine_file, files)  # before a folder is made
    path: Path | None = arguments.session
    if path is None and not arguments.replay:
        path = Path(datetime.now(UTC).strftime("session-%Y%m%d-%H%M%S"))
    if path is not None and arguments.replay and is_session(path):
        raise InputError(str(path), "a new folder for a replay", "one that holds a session", "Name another folder.")
    asked: str | None = arguments.symptom
    source: FrameSource
    if arguments.no_bus:
        from busdoc.capture.no_bus import NoBus

        source = NoBus()
    else:
        arguments.bus = arguments.bus or ([] if arguments.replay else [""])
        source = open_source(arguments)
    if path is None and arguments.also is not None:
        raise InputError("--also", "--session beside it", "no folder of a session", "Name the first with --session.")
    if path is None:
        return LiveSession(source, machine, database, asked=asked)
    folder = SessionFolder(
        path,
        machine_file=machine_file,
        databases=() if database is None else [file.given for file in database.files if not file.why_not],
        command=shlex.join(["busdoc", *arguments.words]),
        version=__version__,
        also=arguments.also,
    )
    for note in folder.notes:
        print(f"busdoc: {note}", file=surroundings.stderr)
    if folder.resumed:
        machine, database = load_inputs(folder.machine_file, folder.databases)
    if asked is None:
        asked = folder.complaint
    else:
        folder.keep_complaint(asked)
    return LiveSession(source, machine, database, folder=folder, asked=asked)


def _conclude(session: "LiveSession", arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    """Write what was asked for at the end; the same verdict as the post-mortem of the recording."""
    result: Result = session.result()
    if arguments.report is not None:
        write_report(result, arguments.report, words=arguments.words)
    if arguments.json:
        from busdoc.report.json.document import document, print_document

        print_document(document(result), surroundings.stdout)
    elif session.folder_path is not None:
        written = "" if arguments.report is None else f" The record: {arguments.report}."
        print(
            f"Kept in {session.folder_path}; busdoc postmortem {session.folder_path} reads it.{written}",
            file=surroundings.stdout,
        )
    return ExitStatus.TROUBLE if result.trouble else ExitStatus.HEALTHY
