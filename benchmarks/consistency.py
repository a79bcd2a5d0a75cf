"""Does every section tell the same story? Simulated sessions of all fault kinds and stages, read by every rule.

Run ``python -m benchmarks.consistency [first seed] [sessions] [symptoms]`` from the project's root; with ``symptoms``
nobody falls in them, and a code, a signal or a lamp shows. The rules are those of ``tests/truth/consistency.py``; the
wording was mended on seeds from 3000000.
"""

import sys
from collections import Counter
from collections.abc import Iterator
from statistics import median

from busdoc.machine.machine import Machine
from tests.truth.code_sessions import CodeSession, Showing, live_with_codes
from tests.truth.consistency import breaches
from tests.truth.isolation_sessions import SessionKind, live_through
from tests.truth.told_sessions import ToldSession, Twist, tell_session, tell_symptom

__all__: list[str] = []


def _truth(told: ToldSession) -> Machine:
    """Give the map that a session had before its twist."""
    if isinstance(told.session, CodeSession):
        return live_with_codes(told.session.showing, told.session.seed).machine
    return live_through(told.session.kind, told.session.seed).machine


def _stories(n: int, first: int, *, symptoms: bool) -> Iterator[ToldSession]:
    """Tell sessions of every kind with every twist in turn."""
    twists = [twist for twist in Twist if twist is not Twist.PROVED or not symptoms]
    for k in range(n):
        if symptoms:
            showing = list(Showing)[k % len(Showing)]
            yield tell_symptom(showing, first + k, twists[k // len(Showing) % len(twists)])
        else:
            kind = list(SessionKind)[k % len(SessionKind)]
            yield tell_session(kind, first + k, twists[k // len(SessionKind) % len(twists)])


def _stands_for(told: ToldSession, part: str) -> bool:
    """Whether a branch that no map knows stands for the faulty part: for itself and all that hangs on it."""
    truth = _truth(told)
    unmapped = told.twist is Twist.NO_MAP and part in truth
    return unmapped and any(one in truth.below(part) for one in told.session.faulty)


def main() -> None:
    """Tell sessions, and count the breaches."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 3_100_000
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    symptoms = sys.argv[3:] == ["symptoms"]
    count: Counter[str] = Counter()
    states: Counter[str] = Counter()
    right: Counter[bool] = Counter()
    lines: list[int] = []
    broken = 0
    for told in _stories(n, first, symptoms=symptoms):
        found = breaches(told)
        one = told.session
        which = f"{one.showing if isinstance(one, CodeSession) else one.kind}, seed {one.seed}, {told.twist}"
        broken += bool(found)
        for rule, what in found:
            if count[rule] < 3:
                print(f"{which}: {rule}: {what}")
            count[rule] += 1
        state = told.tree["conclusion"]["state"]
        states[state] += 1
        lines.append(len(told.usual.splitlines()))
        if state == "named":
            named = [one["part"] for one in told.tree["conclusion"]["named"]]
            rightly = all(part in told.session.faulty or _stands_for(told, part) for part in named)
            right[rightly] += 1
            if not rightly:
                print(f"{which}: {named} named, {told.session.faulty} at fault")
    print(f"{n} sessions, {broken} with a breach: {dict(count)}")
    print(f"states: {dict(states)}; named rightly: {right[True]} of {right.total()}")
    print(f"lines of the usual text: {median(lines):.0f} (median), {max(lines)} at most")


if __name__ == "__main__":
    main()
