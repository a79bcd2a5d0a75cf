"""Begin a second session in the folder of one that runs: it is refused in a sentence, and the first loses nothing.

    python -m benchmarks.campaign.two_at_once [RUNS] [SEED]

While a session presses without pause, others try to begin in its folder, in its second folder (`--also`) and with its
folder as their second one, at any instant. Once it has ended, or was killed, the next try must go on with it. Linux and
macOS.
"""

import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.campaign.session_run import Told, lost, rest_of, run_session

RUNS = 40
_TRIES = 6
_REFUSED = "found one that is running"


def main() -> int:
    """Run it, and print the figures."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    source = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    n_wrong = n_tries = n_presses = 0
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-two-") as place:
        for k in range(runs):
            path, also = Path(place) / f"s{k}", Path(place) / f"also{k}"
            first, reads = _begun(path, also, 60.0, source)
            _heard(reads)
            wrong = []
            for _ in range(_TRIES):
                time.sleep(source.uniform(0.0, 0.2))
                own, second = source.choice([(path, None), (also, None), (Path(place) / "new", path)])
                number, told = _begun(own, second, 0.2, source)
                said = rest_of(told)
                os.waitpid(number, 0)
                if _REFUSED not in said or "heard" in said:
                    wrong.append(f"a second one in {own.name} says: {said[:200] or 'nothing'}")
            os.kill(first, source.choice((signal.SIGKILL, signal.SIGTERM)))
            until_ns = time.time_ns()
            os.waitpid(first, 0)
            told_first = Told()  # of what it heard nothing is asked here
            told_first.hear(rest_of(reads))
            texts, _ = lost(path, told_first, told_first.closing_ns or until_ns, judges=False)
            wrong += texts
            n_wrong, n_tries, n_presses = n_wrong + bool(wrong), n_tries + _TRIES, n_presses + len(told_first.pressed)
            for one in wrong:
                print(f"run {k + 1}: {one}", flush=True)
    print(
        f"{runs} sessions, {n_presses} presses, {n_tries} second ones in {(time.monotonic() - began_s) / 60:.0f} min, "
        f"{n_wrong} wrong"
    )
    return 1 if n_wrong else 0


def _begun(path: Path, also: Path | None, seconds: float, source: random.Random) -> tuple[int, int]:
    """Begin a session in a process of its own; give its number, and where it tells."""
    reads, writes = os.pipe()
    seed = source.randrange(1 << 30)
    number = os.fork()
    if number:
        os.close(writes)
        return number, reads
    os.close(reads)

    def tell(text: str) -> None:
        os.write(writes, f"{text}\n".encode("ascii", "replace"))

    try:
        run_session(path, seconds, random.Random(seed), tell, also)
    except BaseException as error:
        tell(f"{type(error).__name__}: {error}".replace("\n", " "))
    finally:
        os._exit(0)


def _heard(reads: int) -> None:
    """Wait until a session has begun."""
    os.read(reads, 1)


if __name__ == "__main__":
    sys.exit(main())
