"""What one verdict costs, as often as a screen asks for it: forty parts, twenty dropouts, a plug moved after each.

Run ``python -m benchmarks.isolation_cost [dropouts]`` from the project's root. A screen asks twice a second; a tenth
of a second for each verdict is what it can bear beside two full buses.
"""

import sys
import time

from busdoc.actions.action import ActionKind
from busdoc.isolation.verdict import Step
from tests.truth.fault_finding import Bench
from tests.truth.isolation_sessions import NS, START_NS

_BRANCHES = 33
_TIMES = 7


def main(dropouts: int = 20) -> None:
    """Print the processor's time for a verdict, the least of seven."""
    bench = Bench(_BRANCHES, 1, 1 / 40)
    for n in range(dropouts):
        branch = bench.branches[n % _BRANCHES]
        while branch != bench.culprit and bench.watch(60.0):
            pass
        bench.revive()
        for kind in (ActionKind.UNPLUG, ActionKind.PLUG):
            bench.do(Step(action=kind, part=branch))
    session = bench.session()
    took_s = []
    for k in range(_TIMES):
        begun_s = time.process_time()
        session.verdict(START_NS + round(bench.world.now_s * NS) + k * NS)
        took_s.append(time.process_time() - begun_s)
    print(f"{len(bench.machine.parts)} parts, {len(bench.actions)} actions: {1000 * min(took_s):.0f} ms a verdict")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:2]))
