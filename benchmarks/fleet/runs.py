"""Does a run over many captures survive what happens to it, and what does it cost?

    python -m benchmarks.fleet.runs kills [--captures 120] [--kills 10]
    python -m benchmarks.fleet.runs restarts [--captures 120] [--kills 5]
    python -m benchmarks.fleet.runs same [--captures 50]
    python -m benchmarks.fleet.runs speed [--captures 60] [--length 600]
    python -m benchmarks.fleet.runs memory [--few 100] [--many 2000]
    python -m benchmarks.fleet.runs scheduler [--tasks 20000] [--workers 2] [--inside]

`kills` sends SIGKILL to a worker again and again in mid-run, with a corrupt, an empty, a wrong-map and a wrong-suffix
capture among the rest, and compares the tables with those of a run that nobody disturbed. `restarts` kills the whole
run, scheduler and all, and starts it anew: nothing that was done may be judged again. `same` compares the JSON of each
capture with that of `busdoc postmortem`. `speed` judges with one worker and with two. `memory` is the peak of the
process that runs the command (Linux). `scheduler` has workers do nothing, so that what is left is what the scheduler
costs; with `--inside` they are hundreds, in its own process, whose work then counts with it.
"""

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd

from busdoc.many.judged import Judged, Outcome, Task
from tests.truth.fleet_by_chance import FleetPlan, draw_fleet, write_fleet

_TABLES = ("captures", "controllers", "parts", "dropouts")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=sorted(_SHOWINGS))
    parser.add_argument("--captures", type=int, default=None)
    parser.add_argument("--length", type=float, default=90.0, help="of a capture, s")
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--few", type=int, default=100)
    parser.add_argument("--many", type=int, default=2000)
    parser.add_argument("--tasks", type=int, default=20_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--inside", action="store_true", help="workers inside this process, for more than cores can bear"
    )
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="busdoc-fleet-") as folder:
        return _SHOWINGS[arguments.what](arguments, Path(folder))


def _kills(arguments: argparse.Namespace, folder: Path) -> int:
    """Kill workers; the tables must be those of a quiet run."""
    manifest = _park(folder, arguments.captures or 120, arguments)
    _spoil(folder / "park")
    rng = random.Random(arguments.seed)
    _run(folder, manifest, "quiet", "--workers", "0")
    running = _started(folder, manifest, "killed", "--workers", "2")
    n_killed = 0
    while running.poll() is None and not any((folder / "killed").rglob("*.json")):
        time.sleep(0.2)
    while running.poll() is None and n_killed < arguments.kills:
        time.sleep(rng.uniform(1.0, 3.0))
        workers = _workers_of(running.pid)
        if workers:
            _kill(rng.choice(workers))
            n_killed += 1
    status = running.wait()
    if status not in (0, 1):
        print((folder / "killed.txt").read_text("utf-8", "replace")[-3000:])
        return 1
    different = _different(folder / "quiet", folder / "killed")
    outcomes = pd.read_parquet(folder / "killed" / "tables" / "captures")["outcome"].value_counts().to_dict()
    print(f"{n_killed} workers killed, exit status {status}; {outcomes}; tables that differ: {different or 'none'}")
    return 1 if different or n_killed < arguments.kills else 0


def _restarts(arguments: argparse.Namespace, folder: Path) -> int:
    """Kill the run itself; what is done must stay done."""
    manifest = _park(folder, arguments.captures or 120, arguments)
    rng = random.Random(arguments.seed)
    _run(folder, manifest, "quiet", "--workers", "0")
    done: dict[str, int] = {}
    again, n_killed = 0, 0
    for _ in range(arguments.kills):
        running = _started(folder, manifest, "killed", "--workers", "2")
        wanted = len(done) + rng.randint(3, 15)  # so many are done when it is killed
        while running.poll() is None and len(list((folder / "killed").rglob("*.json"))) < wanted:
            time.sleep(0.1)
        children = _workers_of(running.pid)
        if running.poll() is None:
            n_killed += 1
            _kill(running.pid)
        running.wait()
        for child in children:  # their scheduler is gone, and they would end by themselves
            _kill(child)
        now = {str(path): path.stat().st_mtime_ns for path in (folder / "killed" / "captures").rglob("*.json")}
        again += sum(done.get(path, stamp) != stamp for path, stamp in now.items())
        print(f"  killed with {len(now)} done", flush=True)
        done = now
    _run(folder, manifest, "killed", "--workers", "2")
    now = {str(path): path.stat().st_mtime_ns for path in (folder / "killed" / "captures").rglob("*.json")}
    again += sum(stamp != now[path] for path, stamp in done.items())
    different = _different(folder / "quiet", folder / "killed")
    print(f"{n_killed} runs killed; {again} captures judged again; tables that differ: {different or 'none'}")
    return 1 if different or again else 0


def _same(arguments: argparse.Namespace, folder: Path) -> int:
    """Compare each capture's JSON with that of the post-mortem, byte for byte."""
    n = arguments.captures or 50
    manifest = _park(folder, n, arguments)
    _run(folder, manifest, "out", "--workers", "2")
    captures = pd.read_parquet(folder / "out" / "tables" / "captures")
    equal = 0
    for row in captures.itertuples():
        path = Path(str(row.address))
        words = ["postmortem", str(path), "--machine", str(folder / "park" / f"{row.kind}.toml"), "--json"]
        alone = subprocess.run(_command(*words), capture_output=True, check=False).stdout
        equal += alone == (folder / "out" / str(row.verdict)).read_bytes() and bool(json.loads(alone))
    print(f"{equal} of {len(captures)} captures have the JSON of busdoc postmortem, byte for byte")
    return 0 if equal == len(captures) else 1


def _speed(arguments: argparse.Namespace, folder: Path) -> int:
    """Time one worker and two, in turns, and what is left when nothing is to be judged."""
    manifest = _park(folder, arguments.captures or 60, arguments)
    took: dict[int, list[float]] = {1: [], 2: []}
    for turn in range(2):
        for workers in (1, 2) if turn == 0 else (2, 1):
            out = f"out-{workers}-{turn}"
            began_s = time.perf_counter()
            _run(folder, manifest, out, "--workers", str(workers), "--reports", "none")
            whole_s = time.perf_counter() - began_s
            began_s = time.perf_counter()
            _run(folder, manifest, out, "--workers", str(workers), "--reports", "none")
            idle_s = time.perf_counter() - began_s
            took[workers].append(whole_s - idle_s)
            print(f"  {workers}: {whole_s:.1f} s, of which {idle_s:.1f} s are start and end", flush=True)
    ratio = min(took[1]) / min(took[2])
    print(f"two workers are {ratio:.2f} times as fast as one (best of two; judging alone)")
    return 0


def _memory(arguments: argparse.Namespace, folder: Path) -> int:
    """Measure the peak of the process that runs the command, with few captures and with many."""
    peaks = {}
    for n in (arguments.few, arguments.many):
        arguments.length = 20.0
        manifest = _park(folder / str(n), n, arguments)
        running = _started(folder / str(n), manifest, "out", "--workers", "2", "--reports", "none")
        peak_kb = 0
        while running.poll() is None:
            peak_kb = max(peak_kb, _peak_kb(running.pid))
            time.sleep(0.05)
        peaks[n] = peak_kb
        print(f"  {n} captures: peak {peak_kb / 1024:.0f} MB, exit status {running.returncode}", flush=True)
    ratio = peaks[arguments.many] / peaks[arguments.few]
    print(f"peak with {arguments.many} captures over that with {arguments.few}: {ratio:.3f}")
    return 0


def _nothing(task: Task) -> Judged:
    return Judged(number=task.number, outcome=Outcome.JUDGED, body=b"x" * 1500, document="x" * 20_000)


def _scheduler(arguments: argparse.Namespace, folder: Path) -> int:
    """Have tasks done that take no time: what is left is the scheduler, and the way there and back."""
    from distributed import Client, LocalCluster

    from busdoc.many.intake.capture import FleetCapture
    from busdoc.many.work.engine import SETTINGS, DaskEngine

    def tasks() -> Iterator[Task]:
        capture = FleetCapture(files=("/srv/park/machine/capture.log.gz",), machine="machine")
        yield from (Task(number=k, capture=capture) for k in range(arguments.tasks))

    import dask

    with (
        dask.config.set(SETTINGS),
        LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=arguments.workers,
            threads_per_worker=1,
            processes=not arguments.inside,
            dashboard_address=None,
            silence_logs=50,
        ) as cluster,
        Client(cluster) as client,  # type: ignore[no-untyped-call]
    ):
        engine = DaskEngine(client, work=_nothing)
        began_s, began_cpu_s = time.perf_counter(), time.process_time()
        n = sum(1 for _ in engine.run(tasks()))
        took_s, cpu_s = time.perf_counter() - began_s, time.process_time() - began_cpu_s
    one_process = "client, scheduler and workers" if arguments.inside else "client and scheduler"
    print(
        f"{n:,} empty tasks on {arguments.workers} workers: {1e3 * took_s / n:.2f} ms each; {one_process} (one "
        f"process here) took {1e3 * cpu_s / n:.2f} ms of processor time; peak {_peak_kb(os.getpid()) / 1024:.0f} MB"
    )
    print(f"a million of them: {cpu_s / n * 1e6 / 3600:.1f} h of one core; it feeds {n / cpu_s:.0f} captures a second")
    return 0


def _park(folder: Path, n: int, arguments: argparse.Namespace) -> Path:
    """Write about so many captures of ten machines; give the manifest."""
    plan = FleetPlan(machines=10, captures=-(-n // 10), length_s=arguments.length, bad=1, per_hour=6.0)
    return write_fleet(draw_fleet(plan, arguments.seed), folder / "park", seed=arguments.seed)


def _spoil(park: Path) -> None:
    """Put a corrupt, an empty, a wrong-map and a wrong-suffix capture on the manifest."""
    manifest = park / "park.csv"
    some = sorted(park.glob("SW-01/*.log"))
    (park / "empty.log").write_bytes(b"")
    (park / "corrupt.log.gz").write_bytes(b"\x1f\x8b\x08\x00" + bytes(range(256)))
    shutil.copyfile(some[0], park / "wrong.blf")
    with manifest.open("a", encoding="utf-8", newline="") as file:
        for name, map_name in (
            ("empty.log", "Street sweeper"),
            ("corrupt.log.gz", "Street sweeper"),
            ("wrong.blf", "Street sweeper"),
            ("SC-01/000.log", "Street sweeper"),
        ):
            file.write(f"odd,{name},Street sweeper,{map_name}.toml,,,,\n")


def _command(*words: str) -> list[str]:
    return [sys.executable, "-m", "busdoc", *words]


def _started(folder: Path, manifest: Path, out: str, *more: str) -> "subprocess.Popen[bytes]":
    words = ["fleet", str(manifest), "-o", str(folder / out), *more]
    with (folder / f"{out}.txt").open("ab") as told:
        return subprocess.Popen(_command(*words), stdout=told, stderr=told)


def _run(folder: Path, manifest: Path, out: str, *more: str) -> None:
    finished = _started(folder, manifest, out, *more).wait()
    if finished not in (0, 1):
        told = (folder / f"{out}.txt").read_text("utf-8", "replace")[-3000:]
        raise SystemExit(f"the run ended with status {finished}\n{told}")


def _kill(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return


def _workers_of(pid: int) -> list[int]:
    """Name the worker processes below a run, by what /proc says (Linux)."""
    found = []
    for child in _children(pid):
        words = Path(f"/proc/{child}/cmdline").read_bytes() if Path(f"/proc/{child}").exists() else b""
        if b"spawn_main" in words or words.startswith(b"dask worker"):  # as it calls itself, where it can
            found.append(child)
        found += _workers_of(child)
    return found


def _children(pid: int) -> list[int]:
    try:
        text = "".join(path.read_text("ascii") for path in Path(f"/proc/{pid}/task").glob("*/children"))
    except OSError:
        return []
    return [int(word) for word in text.split()]


def _peak_kb(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/status").read_text("ascii").splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM")), 0)


def _different(one: Path, other: Path) -> list[str]:
    found = []
    for name in _TABLES:
        a, b = (pd.read_parquet(folder / "tables" / name) for folder in (one, other))
        if not a.equals(b):
            found.append(name)
    return found


_SHOWINGS: dict[str, Callable[[argparse.Namespace, Path], int]] = {
    "kills": _kills,
    "restarts": _restarts,
    "same": _same,
    "speed": _speed,
    "memory": _memory,
    "scheduler": _scheduler,
}

if __name__ == "__main__":
    sys.exit(main())
