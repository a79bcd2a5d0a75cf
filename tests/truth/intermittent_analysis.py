"""A simulated run with an intermittent dropout, taken through the whole post-mortem: from files, or from its frames."""

import tempfile
from collections.abc import Generator, Sequence
from datetime import UTC
from pathlib import Path

from busdoc.analysis.case import Case
from busdoc.analysis.postmortem import conclude, postmortem
from busdoc.analysis.result import Result
from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import Capture
from busdoc.decode.database.database import load_databases
from busdoc.simulation.run_folder import write_run
from tests.truth.by_chance.intermittent import IntermittentRun
from tests.truth.by_chance.machine_text import machine_text

__all__ = ["analyse", "analyse_frames"]


def analyse(one: IntermittentRun, folder: Path) -> Result:
    """Write a run as files and take them through the whole post-mortem."""
    folder.mkdir(parents=True, exist_ok=True)
    write_run(one.run, folder)
    (folder / "machine.toml").write_text(machine_text(one.run.machine), encoding="utf-8", newline="\n")
    (folder / "signals.dbc").write_text(one.database, encoding="utf-8", newline="\n")
    return postmortem(
        [folder / "capture.log"], databases=[folder / "signals.dbc"], machine_file=folder / "machine.toml"
    )


class _Held(Capture):
    """Frames that are held in memory."""

    def __init__(self, held: Sequence[FrameBlock]) -> None:
        super().__init__((), block_frames=1, wall_clock=UTC, compiled=False, chunk_bytes=None)
        self._held = held
        self.channels.number("can0")

    def blocks(self) -> Generator[FrameBlock, None, None]:
        """Yield them."""
        yield from self._held

    def again(self) -> Capture:
        """Give them once more."""
        return _Held(self._held)


def analyse_frames(one: IntermittentRun) -> Result:
    """Take a run's frames through the whole post-mortem, but for writing and reading text."""
    capture = _Held(one.run.blocks)
    with tempfile.TemporaryDirectory(prefix="busdoc-intermittent-") as name:
        file = Path(name) / "signals.dbc"
        file.write_text(one.database, encoding="utf-8", newline="\n")
        database = load_databases([file])
    case = Case(machine=one.run.machine, channels=capture.channels, database=database, recording=capture)
    watches = Watches(case)
    for block in capture.blocks():
        watches.feed(block)
    health = watches.close()
    return conclude(case.with_facts(watches.frames_by_channel, epoch=True), watches, health, ())
