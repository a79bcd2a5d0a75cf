"""Are the isolation engine's probabilities true? Hundreds of simulated sessions with known faults say so.

Run ``python -m benchmarks.isolation_calibration [first seed] [sessions of each kind]`` from the project's root. The
engine's constants were settled on seeds below 1400000; measure on others, and not on those from 1410000, 1450000,
1510000, 1550000, 1610000 and 1650000 (110 of each), 1710000 (100), 1760000 and 1860000 (25), 1810000 (70), 1910000
(12) and 1920000 (40), which were looked at.
"""

import sys
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from tests.truth.calibration import Judged, attributed_rightly, bin_table, judge_all
from tests.truth.isolation_sessions import SessionKind
from tests.truth.journal_slips import SLIPS, holds_up, judge_slips
from tests.truth.sufficiency import both_shown, suffices

__all__ = ["HELD_OUT", "print_bins"]

HELD_OUT = 1_410_000
"""First of the seeds that no constant was settled on."""


def print_bins(judged: Sequence[Judged]) -> None:
    """Print what was said against what was true, and how often a sound part was accused."""
    print(f"{len(judged)} sessions")
    print("    said      n  mean said   true   exact 95 %      holds")
    for row in bin_table(judged):
        bounds = f"{row.exact[0]:.3f} … {row.exact[1]:.3f}"
        print(f"{row.low:4.0%}–{row.high:4.0%} {row.n:6d} {row.said:9.3f} {row.true:8.3f}   {bounds}   {row.holds}")
    accused = sum(j.worst_innocent >= 0.8 for j in judged)
    print(f"an innocent part at 80 % or more: {accused} sessions ({accused / len(judged):.2%})")


def _print_calibration(judged: Sequence[Judged]) -> None:
    print_bins(judged)
    by_kind: dict[SessionKind, list[Judged]] = defaultdict(list)
    for one in judged:
        by_kind[one.session.kind].append(one)
    print("kind                     n  log score  a culprit first  (where the record suffices)")
    for kind, some in by_kind.items():
        enough = [j for j in some if suffices(j.session)]
        first = np.mean([j.in_top(1) for j in some])
        told = f"{sum(j.on_top in j.guilty for j in enough)} of {len(enough)}" if enough else "-"
        print(f"{kind.value:20s} {len(some):5d} {np.mean([j.log_score for j in some]):9.3f} {first:12.1%}     {told}")
    enough = [j for j in judged if suffices(j.session)]
    if enough:
        first = np.mean([j.on_top in j.guilty for j in enough])
        print(f"the culprit first where the record suffices: {first:.1%} of {len(enough)}")
    two = [j for j in judged if j.session.kind is SessionKind.TWO_FAULTS and both_shown(j.session)]
    if two:
        both = [set(branches_on_top(j)) == {_branch_of(part) for part in j.session.faulty} for j in two]
        print(f"two faults, each shown without the other: both branches on top in {sum(both)} of {len(two)}")


def _branch_of(part: str) -> str:
    return part.replace("sensor", "harness")


def branches_on_top(judged: Judged) -> tuple[str, ...]:
    """Name the two branches that are likeliest, harness and sensor taken together: they were plugged together."""
    mass: dict[str, float] = defaultdict(float)
    for one in judged.verdict.suspects:
        if one.part.startswith(("harness", "sensor")):
            mass[_branch_of(one.part)] += one.probability
    return tuple(sorted(mass, key=lambda branch: -mass[branch])[:2])


def _print_attribution(judged: Sequence[Judged]) -> None:
    for name, right in attributed_rightly(judged).items():
        print(f"attribution, {name}: right in {np.mean(right):.1%} of {len(right)} incidents")


def _print_slips(seeds: range) -> None:
    print("slip                   n  in the top two  innocent above 90 %  both hold")
    for what in SLIPS:
        some = judge_slips(seeds, what)
        top, accused = np.mean([j.in_top(2) for j in some]), sum(j.worst_innocent > 0.9 for j in some)
        print(f"{what:18s} {len(some):5d} {top:15.1%} {accused:20d} {np.mean([holds_up(j) for j in some]):10.1%}")


def main(first_seed: int = HELD_OUT, n: int = 100) -> None:
    """Print the tables."""
    judged = judge_all(range(first_seed, first_seed + n))
    _print_calibration(judged)
    _print_attribution(judged)
    _print_slips(range(first_seed, first_seed + max(n // 2, 1)))


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
