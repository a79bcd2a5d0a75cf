"""Restarts over and over: how many are told with both edges, how many invented, and does the right branch come first.

    python -m benchmarks.restart_truth [--seed 5000] [--machines 60] [--isolated]

On made-up machines of another kind than the project's own simulator makes (`tests/truth/by_chance/resets.py`). Restarts
that nobody announces and that are shorter than the deadlines count as missed here, as all others.
"""

import argparse
from collections import Counter

from tests.truth.by_chance.resets import Announces, reset_machine
from tests.truth.raw_frames import contradictions
from tests.truth.restarts import analysed, told_restarts


def main() -> None:
    """Run the machines and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=5_000)
    parser.add_argument("--machines", type=int, default=60)
    parser.add_argument("--isolated", action="store_true", help="a technician finds the branch by unplugging")
    options = parser.parse_args()
    total: Counter[str] = Counter()
    for seed in range(options.seed, options.seed + options.machines):
        one = reset_machine(seed, isolated=options.isolated)
        result = analysed(one)
        told = told_restarts(one, result)
        kind = "unannounced " if one.announces is Announces.NOTHING else ""
        total[f"{kind}restarts"] += told.due
        total[f"{kind}restarts told with both edges"] += told.found
        total["invented"] += told.invented
        total["contradicted by a frame"] += len(contradictions(one.block, result.health))
        if result.isolation is not None and one.faulty is not None:
            suspects = result.isolation.suspects
            total["right branch first"] += bool(suspects) and suspects[0].part == one.faulty
            total["a sound part at 80 % or more"] += any(
                suspect.probability >= 0.8 and suspect.part != one.faulty for suspect in suspects
            )
        if told.found < told.due or told.invented:
            print(f"seed {seed}, {one.announces}: {told.found} of {told.due}, {told.invented} invented")
    print(f"{options.machines} machines")
    for name, n in total.items():
        print(f"{n:7,}  {name}")


if __name__ == "__main__":
    main()
