"""Reading a recording into the watches, as a session at the machine takes its buses in.

A recording is handed over in the pieces that a source of frames gives (`busdoc.capture.listening.Taken`), and every
piece goes through `Watches.take`: there is one way in, live and recorded.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from busdoc.analysis.case import Case
from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import Taken
from busdoc.capture.source import Capture, open_capture
from busdoc.decode.database.database import load_databases
from busdoc.kernels.ahead import compile_ahead
from busdoc.kernels.cores import cores, threads
from busdoc.machine.machine import Machine

__all__ = ["DatabaseFile", "Follow", "ReadSoFar", "pieces_of", "read_recording"]

_LONGEST_COMPILED = ("busdoc.decode.signals.kernel", "busdoc.decode.signals.cells_kernel")
"""Half of what is to be compiled on a machine's first run."""

DatabaseFile = Path | tuple[int | str, Path]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSoFar:
    """How far the reading of a recording is."""

    frames: int
    share: float | None
    """Of the files, from 0 to 1, estimated where they are compressed; None where it is not known."""


Follow: TypeAlias = Callable[[ReadSoFar], bool | None]
"""Called after each block; a true answer stops the reading there, and what was found so far is concluded from."""


def read_recording(
    captures: Sequence[Path],
    *,
    databases: Sequence[DatabaseFile] = (),
    machine_file: Path | None = None,
    asked: str | None = None,
    progress: Follow | None = None,
    twice: bool = False,
    learning: bool = False,
) -> tuple[Case, Watches]:
    """Read a whole recording.

    Parameters
    ----------
    captures : capture files, or folders of them
    databases : message databases, each for every channel or as ``(channel, file)``
    machine_file : the machine map, TOML
    asked : the symptom that is to be isolated
    progress : called after each block with how far the reading is; a true answer stops it there
    twice : whether the frames may be looked at a second time; whoever says so forgets them in the end
    learning : every rhythm is to be learnt, whatever the map says of it

    Returns
    -------
    The case with the facts of the capture, and the watches, fed with all of it

    Raises
    ------
    InputError : a file that cannot be used
    """
    machine = Machine()
    if machine_file is not None:
        from busdoc.machine.machine_map import load_machine

        machine = load_machine(machine_file)
    if learning:
        machine = machine.without_periods()
    capture = open_capture(captures)
    database = load_databases(databases) if databases else None
    case = Case(machine=machine, channels=capture.channels, database=database, recording=capture, asked=asked)
    if database is not None and capture.large:
        compile_ahead(_LONGEST_COMPILED)
    n_frames = 0
    if twice:
        capture.keep_frames()
    with _watching() as workers:
        watches = Watches(case, workers)
        for taken in pieces_of(capture):
            watches.take(taken)
            n_frames += len(taken.frames)
            if progress is None or not len(taken.frames):
                continue
            if progress(ReadSoFar(frames=n_frames, share=capture.share_read)):
                capture.stop()
        watches.settle()
    case = case.with_facts(watches.frames_by_channel, epoch=capture.epoch, files=capture.files, skipped=capture.skipped)
    return case, watches


def _watching() -> AbstractContextManager[Executor | None]:
    """Give what the watches work on while the next block is read; None where there is one core for all of it."""
    return threads(2, "watch") if cores() > 1 else nullcontext()


def pieces_of(capture: Capture) -> Iterator[Taken]:
    """Yield a recording block by block, and at the end what its recorder did not hear.

    Raises
    ------
    InputError : when there is no frame, or a file turns out to be of another kind
    """
    until_ns = 0
    for block in capture.blocks():
        until_ns = int(block.t_ns[-1]) if len(block) else until_ns
        yield Taken(frames=block, gaps=(), heard_until_ns=until_ns)
    yield Taken(frames=FrameBlock.empty(), gaps=capture.gaps, heard_until_ns=until_ns)
