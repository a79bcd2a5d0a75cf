"""Do the probabilities hold for people who press by another law than the engine assumes?

Run ``python -m benchmarks.isolation_presses [--law LAW …] [--latest S] [--uncertainty S] [--seed FIRST]
[--sessions N]`` from the project's root; N sessions of each kind for each law (``--help`` says more). The engine takes
presses to be exponentially late, with some sloppy ones. Here the simulated technician draws them from the laws of
`busdoc.simulation.press_law` instead. The sessions of one seed are the same under every law but for the written times,
so that laws are compared pair by pair.
"""

import argparse
from collections.abc import Sequence

import numpy as np

from benchmarks.isolation_calibration import HELD_OUT, print_bins
from busdoc.simulation.press_law import PressLaw
from busdoc.simulation.technician import CAREFUL, Habits
from tests.truth.calibration import Judged, judge_all
from tests.truth.sufficiency import suffices


def _print_law(law: PressLaw, judged: Sequence[Judged]) -> None:
    print(f"\n{law.value}: ", end="")
    print_bins(judged)
    surely = sum(j.worst_innocent >= 0.95 for j in judged)
    print(f"and at 95 % or more: {surely} sessions ({surely / len(judged):.2%})")
    enough = [j for j in judged if suffices(j.session)]
    if enough:
        first = np.mean([j.on_top in j.guilty for j in enough])
        print(f"the culprit first where the record suffices: {first:.1%} of {len(enough)}")
    print(f"log score {np.mean([j.log_score for j in judged]):.3f}", flush=True)


def _print_against_the_first(by_law: dict[PressLaw, list[Judged]]) -> None:
    """Compare the log score of the same sessions under each law with that under the first."""
    first = next(iter(by_law))
    base = {(j.session.kind, j.session.seed): j.log_score for j in by_law[first]}
    print(f"\nlog score against the same sessions under {first.value} (mean and its standard error)")
    for law, judged in by_law.items():
        more = [j.log_score - base[key] for j in judged if (key := (j.session.kind, j.session.seed)) in base]
        if law is not first and len(more) > 1:
            print(f"{law.value:14s} {np.mean(more):+.3f} ± {np.std(more, ddof=1) / len(more) ** 0.5:.3f}")


def main() -> None:
    """Print the tables."""
    about, _, _ = (__doc__ or "").partition("\n")
    parser = argparse.ArgumentParser(prog="python -m benchmarks.isolation_presses", description=about)
    laws = list(PressLaw)
    parser.add_argument(
        "--law", nargs="+", choices=laws, default=laws, type=PressLaw, metavar="LAW", help=", ".join(laws)
    )
    parser.add_argument("--seed", type=int, default=HELD_OUT, metavar="FIRST", help="%(default)s as a rule")
    parser.add_argument("--sessions", type=int, default=20, metavar="N", help="of each kind; %(default)s as a rule")
    latest_s, sigma_s = CAREFUL.most_lag_s, CAREFUL.uncertainty_s
    parser.add_argument("--latest", type=float, default=latest_s, metavar="S", help="L of the law; %(default)s")
    parser.add_argument("--uncertainty", type=float, default=sigma_s, metavar="S", help="the journal's; %(default)s")
    given = parser.parse_args()
    seeds = range(given.seed, given.seed + given.sessions)
    by_law: dict[PressLaw, list[Judged]] = {}
    for law in given.law:
        habits = Habits(law=law, most_lag_s=given.latest, uncertainty_s=given.uncertainty)
        by_law[law] = judge_all(seeds, habits=habits)
        _print_law(law, by_law[law])
    _print_against_the_first(by_law)


if __name__ == "__main__":
    main()
