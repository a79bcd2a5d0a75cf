"""What several commands ask for alike: recordings, buses, maps, databases, reports; how they are named and opened."""

import argparse
import contextlib
import math
import os
import shlex
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from busdoc.cli.given.standard_input import add_format_option
from busdoc.errors import InputError

if TYPE_CHECKING:
    from busdoc.analysis.result import Result
    from busdoc.capture.listening import FrameSource
    from busdoc.decode.database.database import Database
    from busdoc.machine.machine import Machine

__all__ = [
    "add_also_option",
    "add_bus_option",
    "add_database_option",
    "add_quiet_option",
    "add_recording_input",
    "add_shared_option",
    "add_symptom_option",
    "add_zone_option",
    "databases",
    "is_silent",
    "load_inputs",
    "open_source",
    "parse_speed",
    "private_files",
    "report_suffix",
    "waits_s",
    "write_report",
]


def add_database_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--db`` to a command that decodes."""
    parser.add_argument(
        "--db",
        action="append",
        default=[],
        metavar="[CHANNEL=]FILE[:BUS]",
        help="message database (.dbc, .kcd, .sym, .arxml, .cdd), or a folder of them; may be given several times; "
        "CHANNEL binds it to one channel, BUS takes one of the buses that it describes",
    )


def databases(arguments: argparse.Namespace) -> list[Path | tuple[int | str, Path]]:
    """Read each `FILE` or `CHANNEL=FILE`; a file whose own name holds an equals sign is a file.

    A bus behind the file stays there: `busdoc.decode.database.bus_of_file` knows it.
    """
    found: list[Path | tuple[int | str, Path]] = []
    for text in arguments.db:
        channel, mark, file = text.partition("=")
        if not mark or Path(text).exists():
            found.append(Path(text))
        else:
            found.append((int(channel) if channel.isdigit() else channel, Path(file)))
    return found


def report_suffix(path: Path | None) -> None:
    """Check that a report can be written under this name, and that what writes it is installed.

    Raises
    ------
    InputError : it cannot, or is not
    """
    if path is None:
        return
    from busdoc.files.parts import needs

    needs("report", "--report")
    if path.suffix.lower() not in (".html", ".pdf"):
        raise InputError(str(path), "a report FILE.html or FILE.pdf", f'"{path.suffix}"', "Change the ending.")


def write_report(
    result: "Result",
    path: Path,
    *,
    words: Sequence[str],
    fields: Mapping[str, str] = MappingProxyType({}),
    paper: Literal["A4", "Letter"] = "A4",
) -> None:
    """Write the record of a result, as the ending of the file says.

    Parameters
    ----------
    words : of the command line, so that the record can be made again
    fields : lines of its head
    """
    command = shlex.join(["busdoc", *words])
    if path.suffix.lower() == ".pdf":
        from busdoc.report.record.pdf import write_pdf

        write_pdf(result, path, command=command, fields=fields, paper=paper)
    else:
        from busdoc.report.record.html import write_html

        write_html(result, path, command=command, fields=fields)


def add_symptom_option(
    parser: argparse.ArgumentParser,
    *,
    what: str = "what to isolate",
    without: str = "the dropouts, and where nothing dropped what else stands out",
) -> None:
    """Add ``--symptom`` to a command that isolates, or that proves a cure."""
    parser.add_argument(
        "--symptom",
        metavar="WHAT",
        help=f"{what}: dropout, code[:CONTROLLER][:SPN/FMI or 0xEMCY], status or counter[:CONTROLLER], "
        "bus:errors, load, passive or off[:CHANNEL][ > LIMIT], seen[:NAME], or a condition such as "
        f"'Message.Signal < 4.6 for 0.2 s'; without it {without}",
    )


def add_zone_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--zone`` to a command that writes times of day."""
    parser.add_argument(
        "--zone",
        metavar="NAME",
        help="write times of day in this zone, such as Europe/Berlin, or local for this computer's own (default UTC)",
    )


def add_also_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--also`` to a command that keeps what it hears."""
    parser.add_argument(
        "--also",
        type=Path,
        metavar="DIR",
        help="a second folder, best on another disk, in which everything is kept as well: where one of them is "
        "deleted, full or pulled out it goes on in the other, and what is missing is written back when it returns",
    )


def add_quiet_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--quiet`` to a command that reads, makes and prints."""
    parser.add_argument(
        "-q",
        "--quiet",
        action="store_true",
        help="print nothing but errors: the exit status, and the files that were asked for, are the answer",
    )


def is_silent(arguments: argparse.Namespace) -> bool:
    """Whether nothing is to be printed; where a bell rings, ``--quiet`` silences the bell alone."""
    is_live = bool(getattr(arguments, "bus", None) or getattr(arguments, "replay", None)) or not hasattr(
        arguments, "capture"
    )
    has_bell = hasattr(arguments, "replay")
    return bool(getattr(arguments, "quiet", False)) and not (has_bell and is_live)


def add_shared_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--shared`` to a command that keeps what it hears."""
    parser.add_argument(
        "--shared",
        action="store_true",
        help="let other users of this computer read what is kept; else only you can (a recording may hold what its "
        "owner would not publish)",
    )


@contextlib.contextmanager
def private_files(arguments: argparse.Namespace) -> Iterator[None]:
    """Have the files and folders of a command that has ``--shared`` be the user's own, unless that was given.

    Where rights are inherited from the folder, as on Windows, those of the folder hold.
    """
    if getattr(arguments, "shared", True):
        yield
        return
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def add_bus_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--bus`` to a command that listens."""
    parser.add_argument(
        "--bus",
        action="append",
        default=[],
        metavar="INTERFACE:CHANNEL[@BITRATE]",
        help="a bus, by python-can's names, such as socketcan:can0 or pcan:PCAN_USBBUS1@250000, or a section of "
        "python-can's configuration; several may be given; none: the bus that is configured there",
    )
    parser.add_argument(
        "--wait", action="store_true", help="with --bus: wait for an adapter that is not there or not up yet"
    )


def parse_speed(text: str) -> float:
    """Read how many times faster a recording is played; ``max`` for as fast as it can be read.

    Raises
    ------
    InputError : it is neither
    """
    if text.strip().lower() == "max":
        return math.inf
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not speed > 0:
        raise InputError("--speed", "a number above 0, or max", f'"{text}"', "Write for example --speed 10.")
    return speed


def open_source(arguments: argparse.Namespace) -> "FrameSource":
    """Open the buses or the recording that were named; nothing is listened to yet.

    Raises
    ------
    InputError : they cannot be used
    """
    if arguments.replay:
        from busdoc.capture.playback import Playback

        return Playback(arguments.replay, parse_speed(arguments.speed or "1"))
    if arguments.speed is not None:
        raise InputError("--speed", "--replay beside it", "a live bus", "Leave it out; a bus keeps its own pace.")
    from busdoc.capture.bus.address import parse_bus
    from busdoc.capture.bus.buses import LiveBuses

    return LiveBuses([parse_bus(text) for text in arguments.bus], waits=arguments.wait)


def waits_s(source: "FrameSource", tick_s: float) -> float:
    """Give how long to wait between two steps: not at all where a recording is played as fast as it can be read."""
    return 0.0 if getattr(source, "speed", 1.0) == math.inf else tick_s


def add_recording_input(parser: argparse.ArgumentParser, *, nargs: str = "+") -> None:
    """Add what every command takes that reads a recording: captures, databases, a journal."""
    parser.add_argument(
        "capture",
        nargs=nargs,
        type=Path,
        metavar="CAPTURE",
        help="capture files, or folders of them; - reads standard input",
    )
    add_format_option(parser)
    add_database_option(parser)
    parser.add_argument("--actions", type=Path, metavar="FILE", help="journal of what was done (CSV)")


def load_inputs(
    machine_file: Path | None, files: Sequence[Path | tuple[int | str, Path]]
) -> tuple["Machine", "Database | None"]:
    """Load the map and the databases that were named; an empty map and None where none were.

    Raises
    ------
    InputError : a file that cannot be used
    """
    from busdoc.decode.database.database import load_databases
    from busdoc.machine.machine import Machine
    from busdoc.machine.machine_map import load_machine

    machine = Machine() if machine_file is None else load_machine(machine_file)
    return machine, load_databases(files) if files else None
