"""A technician in software works on practice machines as the true screen tells, and presses as people press.

    python -m benchmarks.robot [--seeds N] [--first SEED] [--kinds hard-sensor own-lead …] [--most SECONDS] [--bus]

With --bus the machine's frames go over loopback multicast, and time is the real one; all jobs run beside one another.

Early, at the start, in the middle, at the end or 3 s late, sometimes twice, sometimes wrongly and then corrected.
For each kind of fault: whether the right part was named, whether a sound part ever was, whether "cured" was
reached, whether a step ever asked for hands in a live machine, for how long the screen contradicted the traffic,
acts, presses, and seconds of the machine's time, to the name and to the proved cure. It ends with status 1 where a
step asked for hands in a live machine, or a state on the screen contradicted the traffic for longer than two seconds.

Beside it what one at a time comes to (every branch out, the power cycled, one after the other back): how many found
the right branch, and how long that took, with a dwell of ten seconds, and with one as long as makes the same 95 %. It
tells the branch and not which part of it, and nothing is replaced or proved.

With --bus the last column is how late the machine's own frames were sent at most. On a laptop without processor time
the machine in software stands still too, which no session can tell from one that falls silent.
"""

import argparse
import math
import multiprocessing
import statistics
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busdoc.simulation.fault import Fault
from tests.truth.practice import rear_of_sweeper
from tests.truth.robot import MOST_APART_S, Job, Robot, one_at_a_time

__all__ = ["KINDS", "main"]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of fault."""

    faults: tuple[Fault, ...]
    before: Callable[[Robot], None] | None = None
    """What happens at 8 s, by itself."""
    most_s: float = 900.0


def _lead(robot: Robot) -> None:
    world = robot.bench.world
    world.happen_at(world.now_s, "lead-out")
    world.happen_at(world.now_s + 15.0, "lead-in")


def _key(robot: Robot) -> None:
    world = robot.bench.world
    world.happen_at(world.now_s, "key-off")
    world.happen_at(world.now_s + 15.0, "key-on")


KINDS: dict[str, Kind] = {
    "hard-sensor": Kind((Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=6.0),)),
    "hard-harness": Kind((Fault(part="harness-B", latches=True, delay_s=0.7, from_s=6.0),)),
    "loose-harness": Kind((Fault(part="harness-A", rate_hz=0.05, holds_s=3.0),), most_s=1800.0),
    "feed": Kind((Fault(part="fuse-3", rate_hz=0.05, holds_s=2.0),), most_s=1800.0),
    "segment": Kind((Fault(part="rear-trunk", rate_hz=0.05, holds_s=2.0),), most_s=1800.0),
    "dead": Kind((Fault(part="hopper", held=True, delay_s=0.7, from_s=6.0),)),
    "resets": Kind((Fault(part="hopper", rate_hz=0.3, holds_s=1.0),)),
    "two": Kind(
        (
            Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=6.0),
            Fault(part="tilt-angle", latches=True, delay_s=0.9, from_s=6.0),
        ),
        most_s=1200.0,
    ),
    "late": Kind((Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=300.0),), most_s=1200.0),
    "none": Kind((), most_s=120.0),
    "own-lead": Kind((), _lead, 120.0),
    "key": Kind((), _key, 120.0),
}


def main(words: Sequence[str] | None = None) -> int:
    """Run, and print a table; give the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--most", type=float, default=None, help="seconds of the machine's time for each")
    parser.add_argument("--tick", type=float, default=0.5)
    parser.add_argument("--bus", action="store_true", help="over loopback multicast, in real time")
    given = parser.parse_args(words)
    print(
        f"{'kind':<14}{'runs':>5}{'named':>6}{'sound':>6}{'cured':>6}{'live':>5}{'apart s':>8}{'acts':>6}{'presses':>8}"
        f"{'to name':>8}{'to cure':>8}{'one by one: right, s':>21}{'as sure: right, s':>18}{'late s':>7}"
    )
    seeds = range(given.first, given.first + given.seeds)
    wrong: list[str] = []
    over_bus = _over_bus(given.kinds, seeds, given.most) if given.bus else {}
    for name in given.kinds:
        kind = KINDS[name]
        jobs: list[Job] = over_bus.get(name, [])
        for seed in seeds if not given.bus else ():
            robot = Robot(kind.faults, seed, tick_s=given.tick)
            jobs.append(robot.work(given.most or kind.most_s, before=kind.before))
        print(
            f"{name:<14}{len(jobs):>5}{sum(job.named for job in jobs):>6}{sum(job.accused for job in jobs):>6}"
            f"{sum(job.cured for job in jobs):>6}{sum(job.live for job in jobs):>5}"
            f"{max(job.apart_s for job in jobs):>8.1f}{_mean([job.acts for job in jobs]):>6.1f}"
            f"{_mean([job.presses for job in jobs]):>8.1f}"
            f"{_mean([job.named_s for job in jobs if job.named_s is not None]):>8.0f}"
            f"{_mean([job.seconds for job in jobs if job.cured]):>8.0f}"
            f"{_by_hand(kind, seeds, sure=False):>21}{_by_hand(kind, seeds, sure=True):>18}"
            f"{max(job.late_s for job in jobs):>7.2f}",
            flush=True,
        )
        wrong += [
            f"{name}, seed {seed}: {job.apart or 'hands in a live machine'} ({job.apart_s:.1f} s)"
            for seed, job in zip(seeds, jobs, strict=True)
            if job.live or job.apart_s > MOST_APART_S
        ]
    for sentence in wrong:
        print(sentence, file=sys.stderr)
    return 1 if wrong else 0


def _mean(values: Sequence[float]) -> float:
    return statistics.fmean(values) if values else math.nan


def _by_hand(kind: Kind, seeds: Sequence[int], *, sure: bool) -> str:
    """Say how many found the right branch one at a time, and in how many seconds on average."""
    jobs = [one_at_a_time(kind.faults, seed, sure=sure) for seed in seeds]
    right = [job.seconds for job in jobs if job is not None and job.right]
    return f"{len(right)}, {_mean(right):.0f}" if right else "0"


def _over_bus(kinds: Sequence[str], seeds: Sequence[int], most_s: float | None) -> dict[str, list[Job]]:
    """Have a robot for each kind and seed work in real time, all at once."""
    told = [(name, seed, n, most_s) for n, (name, seed) in enumerate((k, s) for k in kinds for s in seeds)]
    with multiprocessing.Pool(len(told)) as robots:
        found = robots.starmap(_work_on_bus, told, chunksize=1)
    return {name: [job for (one, *_), job in zip(told, found, strict=True) if one == name] for name in kinds}


def _work_on_bus(name: str, seed: int, n: int, most_s: float | None) -> Job:
    from benchmarks.robot_bus import BusBench

    kind = KINDS[name]
    bench = BusBench(rear_of_sweeper(*kind.faults), seed, f"239.74.164.{n + 1}")
    job = Robot(kind.faults, seed, bench=bench).work(most_s or kind.most_s, before=kind.before)
    bench.close()
    return job


if __name__ == "__main__":
    sys.exit(main())
