"""Which value of a named constant of the isolation engine fits the simulated sessions best?

Run ``python -m benchmarks.isolation_fit CONSTANT VALUE … [--law LAW …] [--latest S] [--seed FIRST] [--sessions N]``
from the project's root. A constant is named by its place below `busdoc.isolation`, a value is written as in Python::

    python -m benchmarks.isolation_fit suspects.sets.posterior._SHARPNESS 1.0 1.08 1.16
    python -m benchmarks.isolation_fit suspects.recovery_evidence._RESTART_STAYS 0.015 0.06

Each value is tried on the same sessions as the value in force. The fit is the one with the highest score (the logarithm
of what was said of every part, faulty or sound, summed over a session); where the difference is within two standard
errors, the sessions do not tell the values apart. Beside it stand how many sessions accuse a sound part (80 % or more),
the bin whose truth is furthest from what was said (of bins with 20 statements), and the share of incidents whose action
is named rightly. With ``--slips SHARE`` so many presses are forgotten, as many name a neighbour, and as many are made
twice; with ``--latest S`` presses are up to so late (the L of their law). Fit below seed 1400000 and judge above it.
"""

import argparse
from collections.abc import Sequence

import numpy as np

from busdoc.simulation.press_law import PressLaw
from busdoc.simulation.technician import CAREFUL, Habits
from tests.truth.calibration import Judged, attributed_rightly, bin_table, judge
from tests.truth.constants import constant_set_to
from tests.truth.isolation_sessions import SessionKind, live_through


def _line(name: str, judged: Sequence[Judged], base: Sequence[float]) -> str:
    more = np.array([one.score for one in judged]) - np.array(base)
    error = float(more.std(ddof=1)) / len(more) ** 0.5 if len(more) > 1 else 0.0
    accused = sum(one.worst_innocent >= 0.8 for one in judged)
    off = max((abs(row.said - row.true) for row in bin_table(judged) if row.n >= 20), default=0.0)
    named = np.mean([right for some in attributed_rightly(judged).values() for right in some])
    return f"{name:24s} {more.mean():+9.4f} ± {error:.4f} {accused:9d} {off:13.3f} {named:13.1%}"


def main() -> None:
    """Print one line for each value."""
    about, _, _ = (__doc__ or "").partition("\n")
    parser = argparse.ArgumentParser(prog="python -m benchmarks.isolation_fit", description=about)
    laws = list(PressLaw)
    parser.add_argument("constant", help="its place below busdoc.isolation, as suspects.sets.posterior._SHARPNESS")
    parser.add_argument("value", nargs="+")
    parser.add_argument("--law", nargs="+", choices=laws, default=laws[:1], type=PressLaw, help="of presses")
    parser.add_argument("--seed", type=int, default=900_000, metavar="FIRST")
    parser.add_argument("--sessions", type=int, default=20, metavar="N", help="of each kind; %(default)s as a rule")
    parser.add_argument(
        "--slips", type=float, default=0.0, metavar="SHARE", help="forgotten, wrong and doubled presses"
    )
    parser.add_argument(
        "--latest", type=float, default=CAREFUL.most_lag_s, metavar="S", help="L of the law; %(default)s"
    )
    given = parser.parse_args()
    share = given.slips
    sessions = [
        live_through(kind, seed, habits=Habits(law=law, most_lag_s=given.latest, miss=share, wrong=share, twice=share))
        for law in given.law
        for kind in SessionKind
        for seed in range(given.seed, given.seed + given.sessions)
    ]
    # A session in which nothing fell says nothing, whatever the value.
    in_force = [one for one in map(judge, sessions) if one.verdict.suspects]
    base = [one.score for one in in_force]
    print(f"{given.constant}: {len(in_force)} sessions; score {np.mean(base):.4f} with the value in force")
    print("value                    score more ± error   accused  furthest bin  action named")
    print(_line("in force", in_force, base))
    for text in given.value:
        with constant_set_to(given.constant, text):
            print(_line(text, [judge(one.session) for one in in_force], base), flush=True)


if __name__ == "__main__":
    main()
