"""The highest rate that loses nothing, beside the reference recorder's; run in the emulated kernel, as administrator.

    tests/emulated/socketcan.sh "cd $PWD && PYTHONPATH=$PWD $PWD/.venv/bin/python -m tests.emulated.guest.rates"

One sender, both recorders at once; three seconds at each rate. A frame counts as lost when the reference recorder, or
busdoc, did not write it.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.emulated.guest.beside import lines_of, reference, until
from tests.emulated.guest.traffic import bring_up, frame, let_pass, open_socket, take_away

RATES = (500, 1_000, 2_000, 4_000, 8_000, 16_000)
SECONDS = 3.0


def send(rate: int) -> int:
    """Send at a steady rate, as far as the machine can."""
    n = round(rate * SECONDS)
    start_s = time.monotonic()
    with open_socket("can9") as raw:
        for k in range(n):
            wait_s = start_s + k / rate - time.monotonic()
            if wait_s > 0.001:
                let_pass(wait_s)
            while True:
                try:
                    raw.send(frame(0x100 + k % 64, k.to_bytes(8, "little")))
                    break
                except OSError:  # the queue is full
                    let_pass(0.0005)
    return n


def measure(rate: int, folder: Path) -> None:
    command = [sys.executable, "-m", "busdoc", "record", "--bus", "socketcan:can0", "-o", str(folder / "ours.log")]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as process:
        until((folder / "ours.gaps.csv").exists)
        with reference(folder / "ref.log", "can0"):
            start_s = time.monotonic()
            n = send(rate)
            took_s = time.monotonic() - start_s
            let_pass(1.0)
        process.terminate()
        process.wait()
    ours, theirs = lines_of(folder / "ours.log"), lines_of(folder / "ref.log")
    gaps = len((folder / "ours.gaps.csv").read_text(encoding="utf-8").splitlines()) - 1
    lost = f"the reference recorder lost {n - len(theirs)}, busdoc {n - len(ours)} ({gaps} gaps)"
    print(f"{n / took_s:8.0f} frames/s: {lost}", flush=True)


if __name__ == "__main__":
    bring_up()
    try:
        for one in RATES:
            with tempfile.TemporaryDirectory() as name:
                measure(one, Path(name))
    finally:
        take_away()
