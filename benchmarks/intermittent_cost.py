"""What looking into many dropouts adds to the post-mortem, as a ratio to reading and decoding, in one run.

    python -m benchmarks.intermittent_cost [HOURS]

Makes (once, kept in the temporary folder) ten hours of twenty controllers: about 21 million frames of sixty messages
with 240 signals, 120 of them measured values, and about 130 dropouts, most of which follow an event or a temperature.
Then, each in a process of its own: reading and decoding alone, and the whole post-mortem, which tells how long it
looked into the dropouts: every event, and a second reading for the values. The best of the later runs counts; the first
compiles. Times are those of the processor, over all threads, so that they also hold on a machine that has other work.
"""

import json
import subprocess
import sys
import tempfile
import time
from importlib import import_module
from pathlib import Path
from typing import Any

from busdoc.simulation.run_folder import write_run
from tests.truth.by_chance.intermittent import TrueCause, intermittent_run
from tests.truth.by_chance.machine_text import machine_text

__all__ = ["make_hours"]

_RUNS = 3


def make_hours(folder: Path, hours: float) -> None:
    """Write the capture, its database and its map, unless they are there."""
    if (folder / "machine.toml").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    one = intermittent_run(
        TrueCause.MIXED,
        3,
        hours=hours,
        n_controllers=20,
        fastest_ms=40,
        n_due=(30, 60),
        signals=(1, 1, 2),
        tells_of_it=False,
    )
    write_run(one.run, folder)
    (folder / "signals.dbc").write_text(one.database, encoding="utf-8", newline="\n")
    (folder / "machine.toml").write_text(machine_text(one.run.machine), encoding="utf-8", newline="\n")


def _decode(folder: Path) -> dict[str, float]:
    """Read and decode, and nothing else."""
    from concurrent.futures import ThreadPoolExecutor

    from busdoc.capture.source import open_capture
    from busdoc.decode.database.database import load_databases
    from busdoc.decode.signals.watch import SignalWatch

    started_s = time.process_time()
    capture = open_capture([folder / "capture.log"])
    signals = SignalWatch(load_databases([folder / "signals.dbc"]))
    n_frames = 0
    with ThreadPoolExecutor(max_workers=2) as workers:
        for block in capture.blocks():
            workers.submit(signals.feed, block).result()
            n_frames += len(block)
    signals.summaries()
    return {"decode_s": time.process_time() - started_s, "frames": n_frames, "peak_mb": _peak_mb()}


def _whole(folder: Path) -> dict[str, float]:
    """Run the post-mortem, with the time that it looks into the dropouts."""
    joined: Any = import_module("busdoc.analysis.postmortem")
    look_into = joined.look_into
    spent_s = [0.0]

    def timed(*arguments: Any, **named: Any) -> Any:
        started_s = time.process_time()
        found = look_into(*arguments, **named)
        spent_s[0] += time.process_time() - started_s
        return found

    joined.look_into = timed
    started_s = time.process_time()
    result = joined.postmortem(
        [folder / "capture.log"], databases=[folder / "signals.dbc"], machine_file=folder / "machine.toml"
    )
    whole_s = time.process_time() - started_s
    assert result.intermittent is not None
    tried = result.intermittent.tried
    return {
        "whole_s": whole_s,
        "look_s": spent_s[0],
        "kinds": tried.kinds,
        "signals": tried.signals,
        "peak_mb": _peak_mb(),
    }


def _peak_mb() -> float:
    status = Path("/proc/self/status")
    lines = status.read_text(encoding="ascii").splitlines() if status.exists() else []
    return max((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), default=float("nan"))


def _apart(what: str, folder: Path) -> dict[str, float]:
    """Run one of the two in a process of its own."""
    words = [sys.executable, "-m", "benchmarks.intermittent_cost", what, str(folder)]
    told = subprocess.run(words, capture_output=True, text=True, encoding="utf-8", check=True).stdout
    found: dict[str, float] = json.loads(told.splitlines()[-1])
    return found


def main() -> None:
    """Print the comparison."""
    if len(sys.argv) > 2:
        work = {"decode": _decode, "whole": _whole}[sys.argv[1]]
        print(json.dumps(work(Path(sys.argv[2]))))
        return
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    folder = Path(tempfile.gettempdir()) / "busdoc-benchmarks" / f"intermittent-{hours:g}-hours"
    make_hours(folder, hours)
    decodes = [_apart("decode", folder) for _ in range(_RUNS)][1:]
    wholes = [_apart("whole", folder) for _ in range(_RUNS)][1:]
    decode, whole = min(decodes, key=lambda one: one["decode_s"]), min(wholes, key=lambda one: one["look_s"])
    print(f"frames                         {decode['frames']:,.0f}")
    print(f"reading and decoding           {decode['decode_s']:.2f} s of processor, {decode['peak_mb']:.0f} MB")
    print(f"post-mortem                    {whole['whole_s']:.2f} s of processor, {whole['peak_mb']:.0f} MB")
    print(f"of it, looking into dropouts   {whole['look_s']:.2f} s")
    print(f"tried                          {whole['kinds']:.0f} kinds of events, {whole['signals']:.0f} signals")
    print(f"added, over reading and decoding: {whole['look_s'] / decode['decode_s']:.2f}")


if __name__ == "__main__":
    main()
