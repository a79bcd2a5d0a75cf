"""Kill sessions, and see that no press that was answered is gone, and no frame older than a second.

    python -m benchmarks.campaign.kills [KILLS] [SEED]

Sessions run as copies of this process, which begin within milliseconds; each folder is gone on with three times. A
third is killed at any instant, a third within its first 200 ms, a third while it closes or after another signal asked
for its end; every fourth folder has a second one beside it (`--also`). Linux and macOS.
"""

import contextlib
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from benchmarks.campaign.session_run import Told, lost, rest_of, run_session

KILLS = 500
KINDS = ("at random", "first 200 ms", "closing", "asked to end")
_LONGEST_S = 60.0
_FAILED = "the session failed:"


def main() -> int:
    """Run it, and print the table."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else KILLS
    source = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    n_of: Counter[str] = Counter()
    n_wrong: Counter[str] = Counter()
    n_pressed: Counter[str] = Counter()
    oldest_s = dict.fromkeys(KINDS, 0.0)
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-kills-") as place:
        told, told_of = Told(), -1
        for k in range(kills):
            if k // 4 != told_of:
                told, told_of = Told(), k // 4
            kind = KINDS[source.randrange(3)] if source.random() < 0.85 else KINDS[3]
            path = Path(place) / f"s{k // 4}"
            also = Path(place) / f"also{k // 4}" if k // 4 % 4 == 0 else None
            before = len(told.pressed)
            until_ns, failures = _one(path, also, kind, told, source)
            wrong, age_s = lost(path, told, until_ns, judges=k % 4 == 3)
            wrong = [*failures, *wrong]
            if also is not None and not wrong:
                wrong, _ = lost(also, told, until_ns, judges=False)
            n_of[kind] += 1
            n_pressed[kind] += len(told.pressed) - before
            n_wrong[kind] += bool(wrong)
            oldest_s[kind] = max(oldest_s[kind], age_s)
            for text in wrong:
                print(f"kill {k + 1}, {kind}: {text}", flush=True)
    print(f"{'':14}{'kills':>8}{'presses':>10}{'lost something':>16}{'oldest lack, s':>16}")
    for kind in KINDS:
        print(f"{kind:14}{n_of[kind]:8}{n_pressed[kind]:10}{n_wrong[kind]:16}{oldest_s[kind]:16.2f}")
    print(f"{kills} kills in {(time.monotonic() - began_s) / 60:.0f} min, {sum(n_wrong.values())} wrong")
    return 1 if sum(n_wrong.values()) else 0


def _one(path: Path, also: Path | None, kind: str, told: Told, source: random.Random) -> tuple[int, list[str]]:
    """Run one session and end it; give when, and what it failed with of its own."""
    reads, writes = os.pipe()
    seed = source.randrange(1 << 30)
    number = os.fork()
    if not number:
        os.close(reads)
        _be_a_session(path, also, seed, writes)
    os.close(writes)
    time.sleep(source.uniform(0.0, 0.2) if kind == "first 200 ms" else source.uniform(0.2, 1.5))
    if kind in ("closing", "asked to end"):
        os.kill(number, source.choice((signal.SIGTERM, signal.SIGINT, signal.SIGHUP)))
    if kind == "closing":
        time.sleep(source.uniform(0.0, 0.15))
    if kind == "asked to end":
        text = rest_of(reads)
        until_ns = next((int(line.split()[1]) for line in text.splitlines() if line.startswith("closing")), 0)
        os.waitpid(number, 0)
    else:
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
        until_ns = time.time_ns()
        os.waitpid(number, 0)
        text = rest_of(reads)
        closing = [int(line.split()[1]) for line in text.splitlines() if line.startswith("closing")]
        until_ns = min([until_ns, *closing])  # nothing is heard after it
    if "heard" not in text:
        told.heard_ns.clear()  # this run heard nothing
    told.hear(text)
    return until_ns, [line for line in text.splitlines() if line.startswith(_FAILED)]


def _be_a_session(path: Path, also: Path | None, seed: int, writes: int) -> None:
    def tell(text: str) -> None:
        os.write(writes, f"{text}\n".encode("ascii"))

    try:
        run_session(path, _LONGEST_S, random.Random(seed), tell, also)
    except BaseException as error:
        tell(f"{_FAILED} {error!r}".replace("\n", " ").encode("ascii", "replace").decode("ascii"))
    finally:
        os._exit(0)


if __name__ == "__main__":
    sys.exit(main())
