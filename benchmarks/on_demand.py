"""Healthy traffic on demand, of two laws that are not our simulator's: how many statements of trouble, all false?

    python -m benchmarks.on_demand [--law sessions] [--machines 20] [--seed 1000] [--plain]

Streams that somebody opens and closes, bursts, answers, events, modes (`tests/truth/by_chance/on_demand.py` and
`on_demand_sessions.py`), without a map; with --plain in 11-bit identifiers that say nothing of their senders. Printed
is what was told of each machine of which anything was: dropouts, restarts, silences, what is late, and remarks.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable

from busdoc.capture.frames import FrameBlock
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.summary import Health
from tests.truth.by_chance.on_demand import on_demand_traffic
from tests.truth.by_chance.on_demand_sessions import session_traffic

_LAWS: dict[str, Callable[..., tuple[FrameBlock, dict[int, str]]]] = {
    "bursts": on_demand_traffic,
    "sessions": session_traffic,
}


def main() -> int:
    """Run the machines and print the counts; 1 where anything was told."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--law", choices=list(_LAWS), default="sessions")
    parser.add_argument("--machines", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1_000, help="of the first machine")
    parser.add_argument("--minutes", type=float, default=5.0, help="of each machine")
    parser.add_argument("--plain", action="store_true", help="11-bit identifiers")
    arguments = parser.parse_args()
    total: Counter[str] = Counter()
    for seed in range(arguments.seed, arguments.seed + arguments.machines):
        block, law_of = _LAWS[arguments.law](seed, 60.0 * arguments.minutes, extended=not arguments.plain)
        watch = HealthWatch()
        watch.feed(block)
        health = watch.close()
        told = [one for one in health.incidents if one.kind is not IncidentKind.CODE]
        total.update(str(one.kind) for one in told)
        total["remarks"] += len(health.warnings)
        if told:
            print(f"machine {seed}: {len(law_of)} streams, {len(told)} false", flush=True)
            for one in told[:12]:
                print(f"  {_told(one, health.start_ns)} {', '.join(_laws(one, health, law_of))}")
    n = sum(total.values()) - total["remarks"]
    print(f"{n} false statements on {arguments.machines} machines, {arguments.minutes:g} min each")
    print("\n".join(f"{count:7,}  {name}" for name, count in total.items()))
    return 1 if n else 0


def _told(one: Incident, start_ns: int) -> str:
    until = "on" if one.back_ns is None else f"{(one.back_ns - start_ns) / 1e9:.3f}"
    return f"{one.kind} of {', '.join(one.controllers)}, {(one.onset_ns - start_ns) / 1e9:.3f} to {until} s:"


def _laws(one: Incident, health: Health, law_of: dict[int, str]) -> list[str]:
    """Name the laws of whom it is about, those that were taken for a rhythm alone."""
    streams = [stream for it in health.controllers if it.name in one.controllers for stream in it.streams]
    return sorted({law_of[stream.key.id] for stream in streams if stream.cyclic})


if __name__ == "__main__":
    sys.exit(main())
