"""A technician in software works on practice machines as the true screen tells, and presses as people press.

    python -m benchmarks.robot [--seeds N] [--first SEED] [--kinds hard-sensor own-lead …] [--most SECONDS] [--bus]

With --bus the machine's frames go over loopback multicast, and time is the real one; all jobs run beside one another.

Early, at the start, in the middle, at the end or 3 s late, sometimes twice, sometimes wrongly and then corrected.
For each kind of fault: whether the right part was named, whether a sound part ever was, whether "cured" was
reached, whether a step ever asked for hands in a live machine, for how long the screen contradicted the traffic,
acts, presses, and seconds of the machine's time; beside it how long one at a time takes: every branch out, the
power cycled, one after the other back.
"""

import argparse
import multiprocessing
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busdoc.simulation.fault import Fault
from tests.truth.practice import rear_of_sweeper
from tests.truth.robot import Job, Robot, one_at_a_time_s

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


def main(words: Sequence[str] | None = None) -> None:
    """Run, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--most", type=float, default=None, help="seconds of the machine's time for each")
    parser.add_argument("--tick", type=float, default=0.5)
    parser.add_argument("--bus", action="store_true", help="over loopback multicast, in real time")
    given = parser.parse_args(words)
    print(
        f"{'kind':<14}{'runs':>5}{'named':>6}{'sound':>6}{'cured':>6}{'live':>5}"
        f"{'apart s':>8}{'acts':>6}{'presses':>8}{'s':>6}{'one by one':>11}"
    )
    seeds = range(given.first, given.first + given.seeds)
    over_bus = _over_bus(given.kinds, seeds, given.most) if given.bus else {}
    for name in given.kinds:
        kind = KINDS[name]
        jobs: list[Job] = over_bus.get(name, [])
        for seed in seeds if not given.bus else ():
            robot = Robot(kind.faults, seed, tick_s=given.tick)
            jobs.append(robot.work(given.most or kind.most_s, before=kind.before))
        by_hand = [one_at_a_time_s(kind.faults, seed) for seed in range(given.first, given.first + given.seeds)]
        known = [seconds for seconds in by_hand if seconds is not None]

        def mean(values: Sequence[float]) -> float:
            return statistics.fmean(values) if values else 0.0

        print(
            f"{name:<14}{len(jobs):>5}{sum(job.named for job in jobs):>6}{sum(job.accused for job in jobs):>6}"
            f"{sum(job.cured for job in jobs):>6}{sum(job.live for job in jobs):>5}"
            f"{max(job.apart_s for job in jobs):>8.1f}{mean([job.acts for job in jobs]):>6.1f}"
            f"{mean([job.presses for job in jobs]):>8.1f}{mean([job.seconds for job in jobs]):>6.0f}"
            f"{mean(known) if known else float('nan'):>11.0f}",
            flush=True,
        )


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
    main()
