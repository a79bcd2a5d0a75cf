"""Damage the folders of sessions: each opens with what is good, says what is not, and never begins anew in silence.

    python -m benchmarks.campaign.folders [FOLDERS] [SEED]

A healthy folder with every kind of file is made once. Of each copy one to three files are removed, emptied, zeroed,
cut, flipped, patched or exchanged. It is then judged (`busdoc postmortem`) and gone on with, as `busdoc isolate
--session` does. Where fewer presses or frames are left than before, something must be said. A
line such as `folder 123: ...` names the seed: `folders 1 123` shows it again.
"""

import io
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from busdoc.actions.action import ActionKind
from busdoc.actions.mark import append_mark
from busdoc.capture.channels import ChannelTable
from busdoc.capture.source import open_capture
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main as program
from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder
from busdoc.session.logbook import Logbook
from tests.truth.damage import damaged
from tests.truth.scripted_bus import START_NS, S, ScriptedBus, run

FOLDERS = 500
WAYS = ("damaged", "removed", "emptied", "zeroed", "exchanged")
_ROOT = Path(__file__).resolve().parents[2]
_SWEEPER = _ROOT / "captures" / "street_sweeper" / "machine.toml"
_DATABASE = _ROOT / "dbc_examples" / "street_sweeper.dbc"


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What a folder gives when it is gone on with."""

    presses: int
    frames: int
    said: str


def healthy_folder() -> dict[str, bytes]:
    """Give the files of a session with map, database, presses, a dropout, two pieces of recording, a gap, a mark."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "s"
        for n in range(2):
            folder = SessionFolder(path, machine_file=_SWEEPER, databases=[_DATABASE])
            bus = _bus_after(n * 40)
            session = LiveSession(bus, Machine(), folder=folder, clock_s=partial(_seconds_of, bus))
            session.start()
            run(bus, session, 4)
            for part in ("harness-A", "harness-B"):
                session.act(ActionKind.UNPLUG, part)
                run(bus, session, 1)
                session.act(ActionKind.PLUG, part)
            bus.hopper_on = False
            run(bus, session, 2)
            bus.hopper_on = True
            run(bus, session, 3)
            session.close()
        append_mark(path / "recording" / "marks.csv", START_NS + S, "a bump")
        return {file.relative_to(path).as_posix(): file.read_bytes() for file in path.rglob("*") if file.is_file()}


def _seconds_of(bus: ScriptedBus) -> float:
    return (bus.clock_ns - START_NS) / S


def _bus_after(seconds: int) -> ScriptedBus:
    """Give a bus that was first listened to so much later: what lies between is a gap of the recording."""
    bus = ScriptedBus()
    bus.clock_ns += seconds * S
    bus._sent_ns = bus.clock_ns
    return bus


def spoilt(files: Mapping[str, bytes], source: random.Random) -> dict[str, bytes]:
    """Give the files with one to three of them damaged."""
    left = dict(files)
    names = sorted(name for name in files if name != "session.lock")
    for name in source.sample(names, source.randint(1, 3)):
        match source.choice(WAYS):
            case "removed":
                left.pop(name, None)
            case "emptied":
                left[name] = b""
            case "zeroed":
                left[name] = bytes(len(files[name]))
            case "exchanged":
                left[name] = files[source.choice(names)]
            case _:
                left[name] = damaged(files[name], source)
    return left


def laid_out(path: Path, files: Mapping[str, bytes]) -> Path:
    """Write files anew into a folder."""
    shutil.rmtree(path, ignore_errors=True)
    for name, content in files.items():
        (path / name).parent.mkdir(parents=True, exist_ok=True)
        (path / name).write_bytes(content)
    return path


def gone_on_with(path: Path) -> Left:
    """Open a folder as a session does; give what is left, and what is said of it.

    Raises
    ------
    InputError : it is not opened
    """
    folder = SessionFolder(path)
    try:
        said = [*folder.notes]
        log = Logbook(folder.store, lambda: 0)
        recorder = folder.recorder(ChannelTable())
        said += [*log.notes, *recorder.notes]
        if not folder.resumed:
            said.clear()  # begun anew: whatever else is said, that is not
        try:
            capture = open_capture([folder.recording])
            frames = sum(len(block) for block in capture.blocks())
            said += [*capture.warnings, *(one.reason for one in capture.skipped.first)]
        except InputError as error:
            frames = 0
            said.append(str(error))
        return Left(presses=len(log.actions), frames=frames, said=" ".join(said))
    finally:
        folder.close()


def wrong_with(files: Mapping[str, bytes], whole: Left, place: Path) -> list[str]:
    """Judge a folder with these files, and go on with it; give what is wrong, a sentence each."""
    wrong = []
    out, err = io.StringIO(), io.StringIO()
    path = laid_out(place, files)
    try:
        status = program(["postmortem", str(path)], Surroundings(stdout=out, stderr=err, environ={"COLUMNS": "100"}))
        if status == 2 and "busdoc: " not in err.getvalue():
            wrong.append("the post-mortem ends without a sentence")
    except BaseException as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        wrong.append(
            f"the post-mortem: {type(error).__name__}: {str(error)[:100]} at {Path(at.filename).name}:{at.lineno}"
        )
    try:
        left = gone_on_with(laid_out(place, files))
    except InputError as error:
        return [*wrong, f"it is not opened: {error}"]
    except BaseException as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        return [*wrong, f"opening: {type(error).__name__}: {str(error)[:100]} at {Path(at.filename).name}:{at.lineno}"]
    if not left.said and (left.presses, left.frames) != (whole.presses, whole.frames):
        wrong.append(
            f"in silence {left.presses} of {whole.presses} presses and {left.frames} of {whole.frames} frames are left"
        )
    return wrong


def main() -> int:
    """Run it, and print the table."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else FOLDERS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    healthy, counts = healthy_folder(), Counter[str]()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-folders-") as scratch:
        place = Path(scratch) / "s"
        whole = gone_on_with(laid_out(place, healthy))
        if whole.said:
            print(f"the healthy folder says: {whole.said}")
        for seed in range(first, first + n):
            wrong = wrong_with(spoilt(healthy, random.Random(f"folder {seed}")), whole, place)
            counts["wrong" if wrong else "whole or said"] += 1
            for text in wrong:
                print(f"folder {seed}: {text}".replace(str(place), ""), flush=True)
    print(f"{len(healthy)} files, {whole.presses} presses, {whole.frames} frames: {', '.join(sorted(healthy))}")
    print(f"{n} folders in {(time.monotonic() - began_s) / 60:.1f} min, {counts['wrong']} wrong")
    return 1 if counts["wrong"] or whole.said else 0


if __name__ == "__main__":
    sys.exit(main())
