"""Is a journal's wrong clock found? Simulated sessions whose journal is shifted, by seconds, minutes, an hour, a zone.

Run ``python -m benchmarks.journal_clock [first seed] [sessions]`` from the project's root. The rule was settled on
seeds from 3000000.
"""

import sys
from collections import Counter
from dataclasses import replace

from busdoc.actions.action import ActionKind
from busdoc.actions.journal_clock import judge_clock
from tests.truth.isolation_sessions import NS, SessionKind, live_through

__all__: list[str] = []

_SHIFTS_S = (0.0, 5.0, -5.0, 60.0, -60.0, 3600.0, -3600.0, 7200.0, -19800.0)
_NEAR_S = 2.0


def main() -> None:
    """Count, for each shift, where it was found, missed, found wrong or doubted."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 3_200_000
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 160
    kinds = list(SessionKind)
    for shift_s in _SHIFTS_S:
        count: Counter[str] = Counter()
        for k in range(n):
            session = live_through(kinds[k % len(kinds)], first + k)
            actions = tuple(replace(a, time_ns=a.time_ns + round(shift_s * NS)) for a in session.actions)
            clock = judge_clock(session.machine, actions, session.health.incidents)
            off_s = abs(clock.offset_ns / NS - shift_s)
            said = (
                "doubted"
                if clock.doubted
                else "right"
                if off_s < _NEAR_S
                else "missed"
                if not clock.offset_ns
                else "wrong"
            )
            switched = any(a.kind in (ActionKind.POWER_CYCLE, ActionKind.POWER_OFF) for a in actions)
            count[f"{said}, {'power switched' if switched else 'plugs only'}"] += 1
        print(f"{shift_s:+8.0f} s: {dict(sorted(count.items()))}")


if __name__ == "__main__":
    main()
