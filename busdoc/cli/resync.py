"""The command `resync`: what is typed, and what is printed of a recording.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.given.page_options import add_page_options, refuse_page
from busdoc.cli.options import (
    add_bus_option,
    add_recording_input,
    add_symptom_option,
    add_zone_option,
    open_source,
)
from busdoc.cli.progress import read_with
from busdoc.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from busdoc.analysis.resync import Resync

__all__ = ["add_resync"]


def add_resync(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc resync` to the commands."""
    resync = commands.add_parser(
        "resync",
        help="after a power cycle: did every controller come back in step, and when",
        description="Finds every power-up in a recording and says of each controller when it was heard first, when it "
        "was in step, whether it restarted, raised a code or changed its address, and whether it was back in time. "
        "With --bus it waits for the power-up and counts each controller home as it comes; it never transmits. "
        "Limits come from the machine map; `busdoc baseline` learns them.",
        epilog="Exit status: 0 nothing failed, 1 a controller failed, 2 could not be done, or no power-up was found.",
    )
    add_recording_input(resync, nargs="*")
    resync.add_argument("--machine", type=Path, metavar="FILE", help="machine map (TOML) with the limits")
    add_bus_option(resync)
    resync.add_argument(
        "--replay",
        nargs="+",
        type=Path,
        default=[],
        metavar="CAPTURE",
        help="play a recording as if it were live, to try it without a machine",
    )
    resync.add_argument("--speed", metavar="X", help="play so many times faster, or max (default 1)")
    resync.add_argument(
        "--within",
        type=float,
        metavar="S",
        help="live: name those that are missing S seconds after the first frame (default: by the map's limits)",
    )
    resync.add_argument(
        "--watch",
        metavar="MINUTES|auto",
        help="after a repair: how long there was, or is, no incident; auto: until it can be called cured with 95 %%",
    )
    resync.add_argument(
        "--after",
        type=Path,
        metavar="SESSION|JSON",
        help="with --watch: the session, or the verdict printed with --json, that tells how often the fault came",
    )
    add_symptom_option(
        resync,
        what="what must be gone after a power-up, or with --watch stay away",
        without="codes and the map's symptoms, or with --watch the complaint of --after, else any trouble",
    )
    add_zone_option(resync)
    add_page_options(resync)
    resync.add_argument(
        "-q",
        "--quiet",
        action="store_true",
        help="live: ring no bell; of a recording: print nothing but errors, the exit status is the answer",
    )
    resync.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
    resync.set_defaults(run=_resync)


def _resync(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    ways = [bool(arguments.capture), bool(arguments.bus), bool(arguments.replay)]
    if sum(ways) != 1:
        given = "none of them" if not any(ways) else "more than one of them"
        advice = "Write for example busdoc resync --bus socketcan:can0 --machine sweeper.toml."
        raise InputError("resync", "a recording, --bus, or --replay with a recording", given, advice)
    if arguments.after is not None and arguments.watch is None:
        raise InputError("--after", "--watch with it", "no --watch", "Write for example --watch auto.")
    if arguments.symptom is not None and arguments.watch is None:
        from busdoc.cli.cure import can_be_watched

        if arguments.symptom.partition(":")[0] == "seen":
            advice = "With --watch auto the looks of a session count; without, what frames can show."
            raise InputError("--symptom", "something that frames can show", f'"{arguments.symptom}"', advice)
        can_be_watched(arguments.symptom, arguments)
    if arguments.actions is not None and (arguments.replay or (arguments.bus and arguments.watch is not None)):
        given_with = "a replay" if arguments.replay else "a watch of a live bus"
        advice = "Read the recording itself with its journal; at a live bus without --watch it keeps your presses."
        raise InputError("--actions", "a recording to read it with, or a live bus", given_with, advice)
    if arguments.within is not None and arguments.capture:
        advice = "Leave it out; the limits of a recording come from the machine map."
        raise InputError("--within", "a live bus or --replay to use it with", "a recording", advice)
    if arguments.watch is not None:
        refuse_page(arguments, "a watch after a repair")
        from busdoc.cli.cure import watch_cure

        return watch_cure(arguments, surroundings)
    if not arguments.capture:
        from busdoc.cli.resync_live import resync_live

        return resync_live(arguments, surroundings, open_source(arguments))
    refuse_page(arguments, "a recording")
    if arguments.json:
        return _as_document(arguments, surroundings)
    from busdoc.analysis.resync import resync
    from busdoc.resync_check.records import ReturnVerdict

    found = read_with(resync, arguments, surroundings, stops=True, symptom=arguments.symptom)
    if not found.power_ups:
        raise _no_power_up(arguments.capture, found.warnings)
    surroundings.stdout.write(_text(found, surroundings))
    return ExitStatus.TROUBLE if found.verdict is ReturnVerdict.FAIL else ExitStatus.HEALTHY


def _as_document(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    """Print the whole verdict of the recording, which holds the returns, with their headline."""
    from busdoc.analysis.postmortem import postmortem
    from busdoc.cli.cure import further_symptom
    from busdoc.report.json.document import print_document, returns_document
    from busdoc.report.words.returns import resync_headline
    from busdoc.resync_check.records import ReturnVerdict, verdict_over

    result = read_with(postmortem, arguments, surroundings, stops=True, symptom=further_symptom(arguments.symptom))
    if not result.resync:
        raise _no_power_up(arguments.capture, result.warnings)
    verdict = verdict_over(one.verdict for one in result.resync)
    print_document(returns_document(result, resync_headline(result.resync), verdict), surroundings.stdout)
    return ExitStatus.TROUBLE if verdict is ReturnVerdict.FAIL else ExitStatus.HEALTHY


def _no_power_up(captures: "list[Path]", warnings: "Iterable[str]") -> InputError:
    from busdoc.capture.source import STOPPED

    found = "a machine that was on from the first frame and stayed on"
    advice = "Record from before the power cycle until half a minute after it."
    if any(STOPPED in text for text in warnings):
        found, advice = "none in what was read before it was stopped", "Let it be read further."
    expected = "a power-up: all controllers silent for a second or more, then back"
    return InputError(", ".join(str(file) for file in captures[:3]), expected, found, advice)


def _text(found: "Resync", surroundings: Surroundings) -> str:
    from busdoc.report.terminal.resync import changes_text, render_power_up
    from busdoc.report.terminal.wrapping import filled
    from busdoc.report.words.returns import limits_missing, resync_headline
    from busdoc.times import zone_words

    width = surroundings.text_width
    start_ns = found.health.start_ns
    parts = [filled(resync_headline(found.power_ups), width)]
    parts += [
        render_power_up(one, n, start_ns, epoch=found.case.facts.epoch, width=width)
        for n, one in enumerate(found.power_ups, start=1)
    ]
    unlimited = limits_missing(found.power_ups)
    if unlimited is not None:
        parts.append(filled(unlimited, width, more="  "))
    if found.changes:
        parts.append(changes_text(found.changes, width))
    rows = [filled(f"Times of day are {zone_words(start_ns)}.", width, "  ")] if found.case.facts.epoch else []
    rows += [filled(text, width, "  ! ", "    ") for text in found.warnings[:20]]
    if rows:
        parts.append("\n".join(["The data", *rows]))
    return "\n\n".join(parts) + "\n"
