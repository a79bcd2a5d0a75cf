"""The whole post-mortem from process start against the obvious script, as a ratio in one run.

`python -m benchmarks.end_to_end [FRAMES]` makes a `.log` of ten million frames and a database of sixty messages (kept
in the temporary folder), runs both as processes of their own, and prints seconds, peak memory and the ratio. The
obvious script reads a twentieth of it, and its time is scaled.
"""

import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from benchmarks.traffic import make_database, make_log

_PART = 20
_RUNS = 3


def as_installed() -> dict[str, str]:
    """Give the environment of a program that was installed: its bytecode is kept, as an installer leaves it."""
    return {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def run(arguments: list[str]) -> tuple[float, float | None]:
    """Run a process to its end; give its seconds and, where the system tells, its peak megabytes."""
    started_s = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL, env=as_installed())
    peak_kb = 0
    ended = threading.Event()

    def watch() -> None:
        nonlocal peak_kb
        status = Path(f"/proc/{process.pid}/status")
        while not ended.wait(0.02):
            try:
                lines = status.read_text(encoding="ascii").splitlines()
            except OSError:
                return
            peak_kb = max([peak_kb, *(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))])

    watcher = threading.Thread(target=watch)
    watcher.start()
    status = process.wait()
    seconds = time.perf_counter() - started_s
    ended.set()
    watcher.join()
    if status not in (0, 1):
        sys.exit(f"{arguments} ended with status {status}")
    return seconds, peak_kb / 1024 if peak_kb else None


def main() -> None:
    """Print the comparison."""
    n_frames = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    folder = Path(tempfile.gettempdir()) / "busdoc-benchmarks"
    folder.mkdir(exist_ok=True)
    whole, part = folder / f"traffic-{n_frames}.log", folder / f"traffic-{n_frames // _PART}.log"
    database = folder / "traffic.dbc"
    make_database(database)
    for path, n in ((whole, n_frames), (part, n_frames // _PART)):
        if not path.exists():
            make_log(path, n)
    ours = ["-m", "busdoc", "postmortem", str(whole), "--db", str(database), "--json"]
    cold_s, _ = run(ours)
    timed = sorted(run(ours) for _ in range(_RUNS))
    seconds, peak_mb = timed[len(timed) // 2]
    obvious_s, obvious_mb = run([str(Path(__file__).with_name("obvious_script.py")), str(part), str(database)])
    small_s = min(run([*ours[:3], str(part), *ours[4:]])[0] for _ in range(2))
    print(f"frames                     {n_frames:,}")
    print(f"post-mortem, first run     {cold_s:.2f} s (kernels compiled if they were not)")
    print(f"post-mortem, median of {_RUNS}   {seconds:.2f} s, peak {peak_mb or float('nan'):.0f} MB")
    print(f"obvious script             {obvious_s * _PART:.1f} s (a {_PART}th took {obvious_s:.2f} s)")
    print(f"ratio                      {obvious_s * _PART / seconds:.1f}")
    print(f"obvious script's peak      {obvious_mb or float('nan'):.0f} MB on a {_PART}th")
    print(f"a {_PART}th, ours             {small_s:.2f} s")


if __name__ == "__main__":
    main()
