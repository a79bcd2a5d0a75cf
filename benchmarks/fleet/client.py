"""What does a run cost the process that runs the command, in memory and time, with few captures and with many?

    python -m benchmarks.fleet.client [--few 100] [--many 2000] [--machines 40] [--workers 2]

The workers judge nothing: they give back at once what a perfect post-mortem would give, with a verdict and a report of
the usual size. Each number of captures has a process of its own, with a scheduler in it as in a real run; told are its
peak (Linux) after each step, and the processor time of each step for each capture.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from busdoc.many.conclusions.finding import find
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.judged import Judged, Outcome, Task, packed
from busdoc.many.kept.store import FleetStore
from busdoc.many.kept.tables import write_tables
from busdoc.many.told.page import write_pages
from busdoc.many.work.engine import open_dask
from busdoc.many.work.running import list_captures, run
from tests.truth.fleet_by_chance import FleetPlan, TrueFleet, draw_fleet
from tests.truth.fleet_counts import judged_lines

_DOCUMENT, _REPORT = "x" * 12_000, "x" * 80_000
_SEED = 23


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--few", type=int, default=100)
    parser.add_argument("--many", type=int, default=2000)
    parser.add_argument("--machines", type=int, default=40)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--alone", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.alone is not None:
        with tempfile.TemporaryDirectory(prefix="busdoc-fleet-") as folder:
            _measure(arguments.alone, arguments.machines, arguments.workers, Path(folder) / "out")
        return 0
    for n in (arguments.few, arguments.many):
        words = ["--alone", str(n), "--machines", str(arguments.machines), "--workers", str(arguments.workers)]
        subprocess.run([sys.executable, "-m", "benchmarks.fleet.client", *words], check=True)
    return 0


@cache
def _fleet(n_captures: int, n_machines: int) -> TrueFleet:
    plan = FleetPlan(machines=n_machines, captures=-(-n_captures // n_machines), length_s=900.0, bad=2)
    return draw_fleet(plan, _SEED)


@cache
def _bodies(n_captures: int, n_machines: int) -> list[bytes]:
    bodies = []
    for line in judged_lines(_fleet(n_captures, n_machines)):
        body = dict(line.body or {})
        body["dropouts"] = [{**row, "n": n, "kind": "dropout"} for n, row in enumerate(body["dropouts"], start=1)]
        bodies.append(packed(body))
    return bodies


def _work(task: Task) -> Judged:
    n_captures, n_machines = (int(word) for word in Path(task.capture.files[0]).suffix.removeprefix(".log").split("x"))
    return Judged(
        number=task.number,
        outcome=Outcome.JUDGED,
        content=f"{random.Random(task.number).getrandbits(256):064x}",
        body=_bodies(n_captures, n_machines)[task.number - 1],
        document=_DOCUMENT,
        report=_REPORT,
    )


def _captures(n_captures: int, n_machines: int) -> Iterator[FleetCapture]:
    for line in judged_lines(_fleet(n_captures, n_machines)):
        name = f"/nowhere/{line.capture.machine}/{line.number}.log{n_captures}x{n_machines}"
        yield FleetCapture(
            files=(name,), machine=line.capture.machine, kind=line.capture.kind, hours=line.capture.hours
        )


def _measure(n_captures: int, n_machines: int, n_workers: int, folder: Path) -> None:
    n = len(_fleet(n_captures, n_machines).captures)
    store = FleetStore(folder)
    began_s = time.process_time()

    def tell(step: str) -> None:
        nonlocal began_s
        now_s = time.process_time()
        peak = f"peak {_peak_mb():.0f} MB"
        print(f"{n:,} captures, {step}: {peak}, {1e3 * (now_s - began_s) / n:.2f} ms each", flush=True)
        began_s = time.process_time()

    list_captures(store, _captures(n_captures, n_machines))
    tell("listed")
    with open_dask(None, n_workers, dashboard=False, work=_work) as engine:
        tell("workers started")
        run(store, engine)
        tell("judged elsewhere, kept here")
    write_tables(store)
    tell("tables")
    found = find(store.lines())
    tell("conclusions")
    write_pages(store, found, command="")
    tell("pages")
    store.close()


def _peak_mb() -> float:
    lines = Path("/proc/self/status").read_text("ascii").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmHWM"))) / 1024


if __name__ == "__main__":
    from benchmarks.fleet import client  # what a worker does is sent by name, as in a real run, and not by its content

    sys.exit(client.main())
