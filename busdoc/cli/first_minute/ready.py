"""The command `ready`: what would go wrong with this laptop at the machine.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings

if TYPE_CHECKING:
    from busdoc.cli.first_minute.finding import Finding

__all__ = ["add_ready", "told"]


def add_ready(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc ready` to the commands."""
    ready = commands.add_parser(
        "ready",
        help="say what would go wrong with this laptop at the machine: adapters, disk, clock, terminal, fonts",
        description="Looks at what a job at the machine needs of this laptop: Python and the parts of busdoc, adapters "
        "and whether they keep silent, room on the disk, clock, power, terminal, fonts. It opens no adapter unless "
        "--bus names it, and transmits nothing.",
        epilog="Exit status: 0 nothing would go wrong, 1 something would, 2 could not be done.",
    )
    ready.add_argument(
        "--bus",
        action="append",
        default=[],
        metavar="INTERFACE:CHANNEL[@BITRATE]",
        help="open this bus as a session would, and listen for two seconds; may be given several times",
    )
    ready.add_argument("--json", action="store_true", help="print one JSON document of schema busdoc-ready/1 instead")
    ready.set_defaults(run=_ready)


def _ready(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.cli.first_minute.finding import Standing

    findings = list(_findings(arguments, surroundings))
    if arguments.json:
        import json
        from importlib.metadata import version

        from busdoc.cli.first_minute.document import ready_document

        print(json.dumps(ready_document(findings, version("busdoc")), indent=2), file=surroundings.stdout)
    else:
        surroundings.stdout.write(told(findings, surroundings.text_width))
    wrong = any(one.standing is Standing.WRONG for one in findings)
    return ExitStatus.TROUBLE if wrong else ExitStatus.HEALTHY


def _findings(arguments: argparse.Namespace, surroundings: Surroundings) -> "Iterator[Finding]":
    import shutil
    import sys
    from datetime import datetime
    from pathlib import Path

    from busdoc.capture.bus.adapter import can_be_tried, open_adapter
    from busdoc.capture.bus.address import parse_bus
    from busdoc.cli.first_minute import adapters, laptop

    addresses = [parse_bus(text) for text in arguments.bus]
    yield laptop.python(sys.version_info[:3], laptop.system_name())
    yield laptop.parts()
    yield from adapters.found_adapters(adapters.plugged_in())
    for address in addresses:
        if can_be_tried(address):
            from busdoc.cli.first_minute.finding import Finding, Standing

            text = f"{address.name}: its bit rate is looked for when a session begins"
            yield Finding(about="bus", standing=Standing.WELL, text=text, advice="Give it, to listen now: @250000.")
        else:
            yield from adapters.heard_on(address, open_adapter)
    here = Path.cwd()
    yield laptop.disk(here, shutil.disk_usage(here).free, writable=laptop.is_writable(here))
    now = datetime.now().astimezone()
    yield laptop.clock(now, now.tzname() or "local time", synchronised=laptop.read_synchronised())
    percent, on_mains = laptop.read_battery()
    yield laptop.battery(percent, on_mains=on_mains)
    size = shutil.get_terminal_size((100, 24))
    yield laptop.terminal(
        surroundings.width,
        size.lines,
        surroundings.stdout.encoding or "",
        is_one=surroundings.stdout.isatty(),
        marks=surroundings.unicode,
        environ=surroundings.environ,
    )
    yield laptop.fonts(_n_fonts())


def _n_fonts() -> int | None:
    """Count the fonts of this computer; None where what looks for them is not installed."""
    from busdoc.files.parts import missing_part

    if missing_part("report") is not None:
        return None
    from matplotlib.font_manager import findSystemFonts

    return len(findSystemFonts())


def told(findings: "Sequence[Finding]", width: int) -> str:
    """Write what was found, `width` columns wide: how it stands, what it is about, what was found, what to do."""
    from busdoc.cli.first_minute.finding import in_short
    from busdoc.report.terminal.wrapping import filled

    lines = []
    for one in findings:
        head = f"{one.standing:<6} {one.about:<9} "
        more = " " * (len(head) if width >= 60 else 4)
        lines.append(filled(one.text, width, head, more))
        if one.advice:
            lines.append(filled(one.advice, width, more, more))
    return "\n".join([*lines, "", filled(in_short(findings), width)]) + "\n"
