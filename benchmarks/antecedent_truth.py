"""Holds the search for events that go before dropouts against drawn times whose truth is known.

    python -m benchmarks.antecedent_truth null [RECORDS]     how often something is found where nothing is
    python -m benchmarks.antecedent_truth power [RECORDS]    how often the true cause is found, and ranked first

Times alone, no frames: two hours, 220 kinds of events or more in each record, whatever makes chance look like a cause:
bursts, duty cycles, work that brings events and dropouts together, exact timers, dropouts that breed dropouts, and
events that answer to each dropout. `benchmarks.intermittent_truth` does the same with frames, end to end.
"""

import sys
import time
from collections.abc import Callable

from benchmarks.share import share
from tests.truth.antecedent_records import Way, draw_null, draw_power, judged

_ENOUGH = 10


def _null(n: int) -> None:
    false = dict.fromkeys(Way, 0)
    drawn = dict.fromkeys(Way, 0)
    started = time.perf_counter()
    for seed in range(n):
        for way in Way:
            record = draw_null(way, seed)
            drawn[way] += 1
            false[way] += bool(judged(record))
    spent_s = time.perf_counter() - started
    for way in Way:
        print(f"{way.value:28} {share(false[way], drawn[way])}")
    total = sum(drawn.values())
    print(f"{'all':28} {share(sum(false.values()), total)}   {1000 * spent_s / total:.0f} ms a record, drawing and all")


def _power(n: int) -> None:
    for n_causes in (1, 2):
        seen: list[tuple[bool, bool, bool]] = []
        for seed in range(n):
            record = draw_power(seed, n_causes=n_causes)
            if min(record.due) < _ENOUGH:
                continue
            names = [test.name for test in judged(record)]
            true = {f"cause {k}" for k in range(n_causes)}
            seen.append((bool(names) and names[0] in true, true <= set(names), not true >= set(names)))
        first, every, false = (sum(one) for one in zip(*seen, strict=True))
        print(f"{n_causes} cause{'s' if n_causes > 1 else ' '}  a true one first: {share(first, len(seen))}")
        print(f"          every true one found: {share(every, len(seen))}; something else too: {false}")
    few: dict[int, list[bool]] = {}
    for seed in range(2 * n):
        record = draw_power(seed, n_due=(2.0, 10.0))
        found = judged(record)
        few.setdefault(record.due[0], []).append(bool(found) and found[0].name == "cause 0")
    for due in sorted(few):
        if 3 <= due < _ENOUGH:
            print(f"{due} dropouts due to it: first {share(sum(few[due]), len(few[due]))}")


def main() -> None:
    """Run what the command line asks for."""
    ways: dict[str, Callable[[int], None]] = {"null": _null, "power": _power}
    what = sys.argv[1] if len(sys.argv) > 1 else "null"
    ways[what](int(sys.argv[2]) if len(sys.argv) > 2 else 60)


if __name__ == "__main__":
    main()
