"""Kill a session at random instants, and see what is left of it.

A session runs on a bus with numbered frames while a script presses, takes back and re-times actions; at a random
instant the process is killed without warning. Then: every action that was acknowledged must be in the folder, no frame
that came more than a second before the end may be missing, `busdoc postmortem` must read the folder, and
`busdoc isolate` must go on with it.

    python -m benchmarks.live.crash [KILLS] [SEED]
"""

import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

from busdoc.analysis.postmortem import postmortem
from busdoc.capture.source import open_capture
from busdoc.session.folder import SessionFolder, read_session
from busdoc.session.logbook import Logbook

GROUP = "239.74.163.45"
KILLS = 200
PER_S = 1000
SCRIPT = ("unplug A", "power cycle", "plug A", "note a bump", "undo", "ago 2", "unplug B", "redo", "mark", "plug B")


def send(n_sent: "Synchronized[int]", stop: "Synchronized[int]") -> None:
    """Send numbered frames of eight controllers until told to stop."""
    import can

    bus = can.Bus(interface="udp_multicast", channel=GROUP)
    start_s = time.perf_counter()
    n = 0
    while not stop.value:
        due = int((time.perf_counter() - start_s) * PER_S)
        while n < due:
            bus.send(can.Message(arbitration_id=0x18FF0100 | n % 8, data=n.to_bytes(8, "little")))
            n += 1
        n_sent.value = n
        time.sleep(0.002)
    bus.shutdown()


def start(folder: Path) -> "subprocess.Popen[str]":
    """Start a session line by line."""
    command = [sys.executable, "-m", "busdoc", "isolate", "--bus", f"udp_multicast:{GROUP}", "--plain", "--quiet"]
    return subprocess.Popen(
        [*command, "--session", str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
    )


class Reader:
    """Reads what a session says, and counts what it acknowledged."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.lines: list[str] = []
        self._process = process
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.lines.append(line.rstrip())

    def acknowledged(self) -> int:
        """Give how many changes of the logbook were acknowledged."""
        starts = ("Logged:", "Noted:", "Marked.", "Taken back:", "Unplugged", "Plugged", "Switched", "Power-cycled")
        return sum(line.startswith(starts) for line in self.lines)

    def join(self) -> None:
        """Wait until everything that was said is read."""
        self._thread.join(10)


def one_kill(folder: Path, rng: random.Random, n_sent: "Synchronized[int]") -> list[str]:
    """Run and kill one session; give what was wrong afterwards."""
    process = start(folder)
    reader = Reader(process)
    assert process.stdin is not None
    while not any("help lists" in line for line in reader.lines) and process.poll() is None:
        time.sleep(0.02)
    end_s = time.monotonic() + rng.uniform(0.2, 3.0)
    sent_by: list[tuple[float, int]] = []
    k = 0
    try:
        while time.monotonic() < end_s:
            process.stdin.write(SCRIPT[k % len(SCRIPT)] + "\n")
            process.stdin.flush()
            k += 1
            sent_by.append((time.monotonic(), n_sent.value))
            time.sleep(rng.uniform(0.0, 0.05))
    except BrokenPipeError:
        return ["it ended by itself: " + " / ".join(reader.lines[-3:])]
    first_n = sent_by[0][1]
    os.kill(process.pid, signal.SIGKILL)
    killed_s = time.monotonic()
    process.wait()
    reader.join()
    wrong = []
    settled = [n for t_s, n in sent_by if t_s < killed_s - 1.0]
    folder_again = SessionFolder(folder)
    rows = folder_again.store.rows().entries
    if len(rows) < reader.acknowledged():
        wrong.append(f"{reader.acknowledged()} acknowledged, {len(rows)} kept")
    if not folder_again.resumed:
        wrong.append("not recognised as a session")
    folder_again.close()
    numbers: set[int] = set()
    try:
        for block in open_capture([folder / "recording"]).blocks():
            numbers |= set(block.data.copy().view("<u8")[:, 0].tolist())
    except Exception as error:
        if settled and settled[-1] > first_n + PER_S // 2:
            wrong.append(f"the recording: {error}")
        return wrong
    if settled:
        missing = set(range(first_n, settled[-1])) - numbers
        if missing:
            wrong.append(f"{len(missing)} frames older than a second are missing")
    result = postmortem([folder])
    if [(a.kind, a.part) for a in result.actions] != [(a.kind, a.part) for a in Logbook.replayed(rows).numbered()]:
        wrong.append("the post-mortem has other actions")
    if len(read_session(folder).actions) != len(result.actions):
        wrong.append("the folder gives other actions")
    return wrong


def main() -> None:
    """Run it, and print the figures."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else KILLS
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    n_sent, stop = multiprocessing.Value("q", 0), multiprocessing.Value("q", 0)
    sender = multiprocessing.Process(target=send, args=(n_sent, stop))
    sender.start()
    n_wrong = n_resumed = 0
    try:
        with tempfile.TemporaryDirectory(prefix="live-crash-") as scratch:
            for k in range(kills):
                folder = Path(scratch) / f"s{k // 4}"  # every folder is gone on with three times
                n_resumed += folder.exists()
                wrong = one_kill(folder, rng, n_sent)
                n_wrong += bool(wrong)
                for text in wrong:
                    print(f"kill {k + 1}: {text}")
    finally:
        stop.value = 1
        sender.join()
    print(f"{kills} kills, {n_resumed} of sessions gone on with: {n_wrong} lost something")


if __name__ == "__main__":
    main()
