"""Do the probabilities hold where no map says what hangs on what? The usual sessions, judged with the journal alone.

Run ``python -m benchmarks.isolation_unmapped [first seed] [sessions]`` from the project's root. Half of the sessions
of each kind have a map of the controllers alone, half none at all. A branch that only the journal names stands for all
that hangs on it.
"""

import sys
from itertools import pairwise

import numpy as np

from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import ELSEWHERE
from busdoc.machine.machine import Machine
from tests.truth.isolation_sessions import SessionKind, live_through

__all__: list[str] = []

_BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)


def main(first: int = 61_000, n: int = 480) -> None:
    """Print what was said of parts against what was true, and who was accused."""
    kinds = list(SessionKind)
    said: list[tuple[float, bool]] = []
    accused: list[str] = []
    for k in range(n):
        session = live_through(kinds[k % len(kinds)], first + k)
        known = session.machine
        machine = Machine(controllers=known.controllers) if k // len(kinds) % 2 else Machine()
        because = attribute(session.health, session.actions, machine)
        for one in isolate(session.health, session.actions, machine, because).suspects:
            if one.part == ELSEWHERE:
                continue
            below = known.below(one.part) if one.part in known.parts else ()
            right = one.part in session.faulty or any(part in below for part in session.faulty)
            said.append((one.probability, right))
            if one.probability >= 0.8 and not right:
                accused.append(f"{session.kind}, seed {first + k}: {one.part} {one.probability:.0%}, {session.faulty}")
    table = np.array(said)
    for low, high in pairwise(_BINS):
        row = table[(table[:, 0] >= low) & ((table[:, 0] < high) | (high == 1.0))]
        if len(row):
            print(f"{low:4.0%} to {high:4.0%}: said {row[:, 0].mean():.1%}, true {row[:, 1].mean():.1%}, of {len(row)}")
    print(f"{len(accused)} sound parts at 80 % or more in {n} sessions", *accused, sep="\n")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
