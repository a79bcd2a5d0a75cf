"""Do the fleet's intervals hold, are the worst machines found, and is nobody called worse who is not?

    python -m benchmarks.fleet.statistics [--null 200] [--bunched 100] [--spread 100] [--true 100] [--changed 100]
        [--seed 1000]

At the level of counts, as a perfect post-mortem would give them: 40 machines of 2 kinds, 25 captures each of 15
minutes. A null fleet: all machines alike; anything called worse is false. A bunched one: the same, dropouts in bunches
of three on average. A spread one: machines differ by a lognormal law (0.5), which is not the law that is assumed; who
is called worse with a rate below the kind's mean is false. A true one: three bad machines (six times), a weak feed of
one kind (four times), wear (growth 1.6). A changed one: the same without wear, and a change on half of the machines
that leaves 0.4.
"""

import argparse
import math
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

from busdoc.many.conclusions.finding import find
from busdoc.many.conclusions.findings import Findings
from tests.truth.fleet_by_chance import FleetPlan, TrueFleet, draw_fleet
from tests.truth.fleet_counts import judged_lines

_LONG = FleetPlan(length_s=900.0, per_hour=2.0)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--null", type=int, default=200)
    parser.add_argument("--bunched", type=int, default=100)
    parser.add_argument("--spread", type=int, default=100)
    parser.add_argument("--true", type=int, default=100)
    parser.add_argument("--changed", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1000)
    arguments = parser.parse_args()
    plans = {
        "null": _LONG,
        "bunched": replace(_LONG, bunch=3.0),
        "spread": replace(_LONG, spread=0.5),
        "true": replace(_LONG, bad=3, times=6.0, weak=4.0, growth=1.6),
        "changed": replace(_LONG, bad=3, times=6.0, weak=4.0, helps=0.4),
    }
    for k, (name, plan) in enumerate(plans.items()):
        began_s = time.process_time()
        n = getattr(arguments, name)
        count: Counter[str] = Counter()
        for seed in range(arguments.seed + 10_000 * k, arguments.seed + 10_000 * k + n):
            fleet = draw_fleet(plan, seed)
            found = find(judged_lines(fleet))
            count.update(_judged(fleet, found, null=name in ("null", "bunched")))
        _report(name, n, count, time.process_time() - began_s)
    return 0


def _judged(fleet: TrueFleet, found: Findings, *, null: bool) -> Iterator[str]:
    """Name what happened: covered and uncovered, found and missed, true and false discoveries."""
    false = n_worse = 0
    for kind in found.kinds:
        names = [machine.ranked.machine for machine in kind.machines]
        mean = sum(fleet.rate[name] for name in names) / len(names)
        for machine in kind.machines:
            one, true = machine.ranked, fleet.rate[machine.ranked.machine]
            yield "believed covered" if one.low <= true <= one.high else "believed missed"
            yield "exact covered" if one.rate.low <= true <= one.rate.high else "exact missed"
            if one.worse:
                n_worse += 1
                false += null or true <= mean
            if one.machine in fleet.bad:
                named = one.worse or any(rank.worse for rank in machine.controllers)
                yield "bad found" if named else "bad not found"
                first = kind is not None and names.index(one.machine) < 4
                yield "bad among the first four" if first else "bad further down"
            inner = [rank for rank in machine.controllers if rank.worse]
            n_worse += len(inner)
            false += len(inner) if null or (one.machine not in fleet.bad and not fleet.plan.spread) else 0
        parts = [one for one in (*kind.parts, *kind.controllers) if one.worse]
        n_worse += len(parts)
        weak = {"fuse-2", "broom", "water"} if fleet.weak and kind.name == "Street sweeper" else set()
        false += sum(null or one.name not in weak for one in parts)
        if weak:
            yield "weak part found" if any(one.name == "fuse-2" for one in kind.parts if one.worse) else "weak missed"
        if kind.typical is not None:
            yield "typical covered" if kind.typical[1] <= _typical(fleet, mean) <= kind.typical[2] else "typical missed"
        if kind.trend is not None:
            covered = kind.trend.low <= fleet.plan.growth <= kind.trend.high
            yield "growth covered" if covered else "growth missed"
            yield "trend shown" if kind.trend.p <= 0.05 else "no trend shown"
        if kind.change is not None:
            yield "change covered" if kind.change.low <= fleet.plan.helps <= kind.change.high else "change missed"
            yield "change shown" if kind.change.p <= 0.05 else "no change shown"
        for effect in kind.effects.effects if kind.effects is not None else ():
            yield "column shown" if effect.p <= 0.05 else "no column shown"
    yield "fleets with a false one" if false else "fleets without a false one"
    for _ in range(n_worse):
        yield "called worse"
    for _ in range(false):
        yield "called worse and is not"
    yield f"share {false / max(n_worse, 1):.6f}"


def _typical(fleet: TrueFleet, mean: float) -> float:
    return mean if not fleet.plan.spread else fleet.plan.per_hour


def _report(name: str, n: int, count: Counter[str], took_s: float) -> None:
    shares = {key: times for key, times in count.items() if key.startswith("share ")}
    rate = sum(float(key.split()[1]) * times for key, times in shares.items()) / max(n, 1)
    print(f"{name}: {n} fleets, {took_s:.0f} s of processor time; false discoveries {100 * rate:.1f} % on average")
    for key in sorted(count):
        if key not in shares:
            print(f"  {key}: {count[key]:,}")
    for good, bad in (("believed covered", "believed missed"), ("exact covered", "exact missed")):
        total = count[good] + count[bad]
        if total:
            share = count[good] / total
            print(f"  {good}: {100 * share:.1f} % +- {100 * math.sqrt(share * (1 - share) / total):.1f}")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
