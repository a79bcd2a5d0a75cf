"""What each stage of a post-mortem costs, in processor time, and what the whole costs against python-can's bare loop.

    python -m benchmarks.stages [FRAMES] [SUFFIX ...]

makes the same traffic once in every kind named (kept in the temporary folder; `.log` alone where none is named). Each
stage is a line, in seconds and nanoseconds a frame; loading kernels counts with the stage that uses them first. Then,
for each kind, the whole command from process start against a process that only loops over python-can's reader: the
ratio of processor times, user and system, which others at work disturb less, and of wall times.
"""

import logging
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from benchmarks.end_to_end import as_installed
from benchmarks.traffic import make_database, make_log
from busdoc.analysis.case import Case
from busdoc.analysis.postmortem import conclude
from busdoc.analysis.watches import Watches
from busdoc.capture.formats.write import write_capture
from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases

_LOOP = "import can, sys\nwith can.LogReader(sys.argv[1]) as reader:\n    for _ in reader: pass"


class Stages:
    """Adds up the processor seconds of each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def timed(self, stage: str, work: Callable[[], object]) -> object:
        """Do some work of a stage."""
        start_s = time.process_time()
        made = work()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + time.process_time() - start_s
        return made

    def each(self, stage: str, blocks: Iterator[object]) -> Iterator[object]:
        """Yield what a stage makes, timing the making."""
        while (made := self.timed(stage, lambda: next(blocks, None))) is not None:
            yield made


def written(folder: Path, n_frames: int, suffix: str) -> Path:
    """Give the traffic in one kind, making it where it is not there."""
    log = folder / f"traffic-{n_frames}.log"
    if not log.exists():
        make_log(log, n_frames)
    path = log.with_suffix(suffix)
    if not path.exists():
        capture = open_capture([log])
        logging.getLogger("can").setLevel(logging.CRITICAL)  # of a kind that holds no FD frames it says so of each
        write_capture(path, capture.blocks(), capture.channels)
    return path


def by_stage(path: Path, database: Path) -> tuple[dict[str, float], int]:
    """Run the stages one after the other, in one thread but for the parsers'; give seconds and frames."""
    stages = Stages()
    capture = open_capture([path], compiled=True)
    capture.keep_frames()
    db = stages.timed("database", lambda: load_databases([database]))
    case = Case(channels=capture.channels, database=db, recording=capture)  # type: ignore[arg-type]  # as it was loaded
    watches = Watches(case)
    parts = {
        "health": watches._health.feed,
        "wire": watches._wire.feed,
        "protocols": watches._follow_protocols,
        "counts": watches._count,
    }
    if watches.signals is not None:
        parts["signals"] = watches.signals.feed
    n_frames = 0
    for block in stages.each("reading, in order, and keeping", capture.blocks()):
        n_frames += _feed(stages, parts, block)
    health: Any = stages.timed("judging", watches.close)
    stages.timed("concluding, a second look included", lambda: conclude(case, watches, health, ()))
    capture.forget_frames()
    return stages.seconds, n_frames


def _feed(stages: Stages, parts: Mapping[str, Callable[..., object]], block: object) -> int:
    n_frames = len(block)  # type: ignore[arg-type]  # a block of frames
    for name, feed in parts.items() if n_frames else ():
        stages.timed(name, lambda feed=feed: feed(block))  # type: ignore[misc]  # bound here
    return n_frames


def whole(arguments: list[str]) -> tuple[float, float]:
    """Run a process; give its wall and its processor seconds, the latter nan where the system does not tell."""
    try:
        import resource
    except ImportError:
        before_s = after_s = float("nan")
    start_s = time.perf_counter()
    if "resource" in sys.modules:
        before_s = _children_s(resource)
    subprocess.run(
        [sys.executable, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=False,
        env=as_installed(),
    )
    wall_s = time.perf_counter() - start_s
    if "resource" in sys.modules:
        after_s = _children_s(resource)
    return wall_s, after_s - before_s


def _children_s(resource: object) -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)  # type: ignore[attr-defined]  # the module of that name
    return float(usage.ru_utime + usage.ru_stime)


def main() -> None:
    """Print the stages, and the ratio for each kind."""
    words = sys.argv[1:]
    n_frames = int(words.pop(0)) if words and words[0].isdigit() else 500_000
    folder = Path(tempfile.gettempdir()) / "busdoc-benchmarks"
    folder.mkdir(exist_ok=True)
    database = folder / "traffic.dbc"
    make_database(database)
    for suffix in words or [".log"]:
        path = written(folder, n_frames, suffix)
        command = ["-m", "busdoc", "postmortem", str(path), "--json"]
        whole(command)  # whatever was not compiled yet is now
        seconds, n_read = by_stage(path, database)
        total_s = sum(seconds.values())
        print(f"{suffix}: {n_read:,} frames, {total_s:.2f} s of processor time in all stages, with a database")
        for stage, stage_s in seconds.items():
            share, each_ns = 100 * stage_s / total_s, stage_s / n_read * 1e9
            print(f"  {stage:<38} {stage_s:6.2f} s {share:5.1f} % {each_ns:6.0f} ns a frame")
        _, start_s = whole(["-c", "import busdoc.analysis.postmortem"])
        ours_wall_s, ours_s = whole(command)
        their_wall_s, their_s = whole(["-c", _LOOP, str(path)])
        print(f"  whole from process start {ours_s:.2f} s, {start_s:.2f} s of it imports")
        print(f"  python-can's bare loop {their_s:.2f} s: ratio {their_s / ours_s:.1f}")
        print(f"  wall {ours_wall_s:.2f} s and {their_wall_s:.2f} s: ratio {their_wall_s / ours_wall_s:.1f}")


if __name__ == "__main__":
    main()
