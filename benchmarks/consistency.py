"""Does every section tell the same story? Simulated sessions of all fault kinds and stages, read by every rule.

Run ``python -m benchmarks.consistency [first seed] [sessions]`` from the project's root. The rules are those of
``tests/truth/consistency.py``; the wording was mended on seeds from 3000000.
"""

import sys
from collections import Counter
from statistics import median

from tests.truth.consistency import breaches
from tests.truth.isolation_sessions import SessionKind, live_through
from tests.truth.told_sessions import ToldSession, Twist, tell_session

__all__: list[str] = []


def _stands_for(told: ToldSession, part: str) -> bool:
    """Whether a branch that no map knows stands for the faulty part: for itself and all that hangs on it."""
    truth = live_through(told.session.kind, told.session.seed).machine
    unmapped = told.twist is Twist.NO_MAP and part in truth
    return unmapped and any(one in truth.below(part) for one in told.session.faulty)


def main() -> None:
    """Tell sessions of every kind with every twist in turn, and count the breaches."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 3_100_000
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    kinds, twists = list(SessionKind), list(Twist)
    count: Counter[str] = Counter()
    states: Counter[str] = Counter()
    right: Counter[bool] = Counter()
    lines: list[int] = []
    broken = 0
    for k in range(n):
        kind, twist = kinds[k % len(kinds)], twists[k // len(kinds) % len(twists)]
        told = tell_session(kind, first + k, twist)
        found = breaches(told)
        broken += bool(found)
        for rule, what in found:
            if count[rule] < 3:
                print(f"{kind}, seed {first + k}, {twist}: {rule}: {what}")
            count[rule] += 1
        state = told.tree["conclusion"]["state"]
        states[state] += 1
        lines.append(len(told.usual.splitlines()))
        if state == "named":
            named = [one["part"] for one in told.tree["conclusion"]["named"]]
            rightly = all(part in told.session.faulty or _stands_for(told, part) for part in named)
            right[rightly] += 1
            if not rightly:
                print(f"{kind}, seed {first + k}, {twist}: {named} named, {told.session.faulty} at fault")
    print(f"{n} sessions, {broken} with a breach: {dict(count)}")
    print(f"states: {dict(states)}; named rightly: {right[True]} of {right.total()}")
    print(f"lines of the usual text: {median(lines):.0f} (median), {max(lines)} at most")


if __name__ == "__main__":
    main()
