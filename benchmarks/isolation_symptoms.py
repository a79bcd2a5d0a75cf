"""Does a symptom that is no dropout single its part out? Simulated sessions, beside the same faults as dropouts.

    python -m benchmarks.isolation_symptoms [--seed 70000] [--sessions 60]

For each way of showing: how often a faulty part comes first (or as likely as the first), how often one is named at
80 % or more, how many sound parts are accused at 80 % or more, and the mean logarithm of what the faulty parts were
given; with --work, the median of the tests and the seconds that it took until a faulty part was named and stayed so,
over the sessions in which it was. Then the bins of all of them, what was said against what was true, with the exact
95 % interval.
"""

import argparse
from collections.abc import Callable, Sequence

import numpy as np

from tests.truth.calibration import bin_table
from tests.truth.code_sessions import CodeSession, JudgedCode, Showing, judge_code, judge_dropouts, live_with_codes
from tests.truth.cut_codes import work_until_named

_JUDGES: dict[str, Callable[[CodeSession], JudgedCode | None]] = {"symptom": judge_code, "dropout": judge_dropouts}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=70_000)
    parser.add_argument("--sessions", type=int, default=60)
    parser.add_argument("--work", action="store_true", help="also the tests and seconds until it was named")
    parser.add_argument("--only", nargs="*", metavar="WAY", help="ways of showing, by the beginning of their names")
    arguments = parser.parse_args()
    seeds = range(arguments.seed, arguments.seed + arguments.sessions)
    judged: dict[str, list[JudgedCode]] = {name: [] for name in _JUDGES}
    print(f"{'shows as':34} {'seen as':8} {'n':>3} {'first':>6} {'named':>6} {'accused':>8} {'log score':>10}")
    for showing in Showing:
        if arguments.only and not showing.startswith(tuple(arguments.only)):
            continue
        for name, judge in _JUDGES.items():
            lived = [live_with_codes(showing, seed, as_dropouts=name == "dropout") for seed in seeds]
            found = [one for session in lived if (one := judge(session)) is not None]
            judged[name] += found
            if found:
                work = _work(found, as_dropouts=name == "dropout") if arguments.work else ""
                print(f"{showing:34} {name:8} {_row(found)}{work}")
    for name, found in judged.items():
        print(f"\n{name}: what was said, what was true, exact interval, statements")
        for row in bin_table(found):
            low, high = row.exact
            print(
                f"  {row.low:4.0%} to {row.high:4.0%}  {row.said:6.1%}  {row.true:6.1%}  {low:5.1%} to {high:5.1%}"
                f"  {row.n:5}{'' if row.holds else '  DOES NOT HOLD'}"
            )


def _work(found: Sequence[JudgedCode], *, as_dropouts: bool) -> str:
    """Tests and seconds, medians over those that were named."""
    taken = [
        work
        for one in found
        if one.names_it and (work := work_until_named(one.session, as_dropouts=as_dropouts)) is not None
    ]
    if not taken:
        return ""
    tests, seconds = np.median(taken, axis=0)
    return f"  {tests:4.1f} tests {seconds:5.0f} s"


def _row(found: Sequence[JudgedCode]) -> str:
    first = float(np.mean([one.ranks_first for one in found]))
    named = float(np.mean([one.names_it for one in found]))
    accused = sum(one.worst_innocent >= 0.8 for one in found)
    score = float(np.mean([one.log_score for one in found]))
    return f"{len(found):3} {first:6.0%} {named:6.0%} {accused:8} {score:10.2f}"


if __name__ == "__main__":
    main()
