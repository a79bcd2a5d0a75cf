"""Receive and record two full buses: what it costs, what is lost, and whether memory stays flat.

Two senders in their own processes put frames on two UDP multicast groups of the loopback interface, 16,000 a second in
all: what two classical buses at 1 Mbit/s carry at full load. `busdoc record` runs on both. Counted are the frames sent,
the frames in the recording, the process's own time on the processor, and its memory in the middle and at the end.

    python -m benchmarks.live.receive [SECONDS] [FRAMES_PER_S]
"""

import multiprocessing
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

from busdoc.capture.source import open_capture

GROUPS = ("239.74.163.41", "239.74.163.42")
SECONDS = 60.0
FRAMES_PER_S = 16_000.0


def send(group: str, per_s: float, seconds: float, n_sent: "Synchronized[int]") -> None:
    """Send at an even rate; each frame holds its number."""
    import can

    bus = can.Bus(interface="udp_multicast", channel=group)
    start_s = time.perf_counter()
    n = 0
    while (elapsed_s := time.perf_counter() - start_s) < seconds:
        due = int(elapsed_s * per_s)
        while n < due:
            bus.send(can.Message(arbitration_id=0x18FF0031 | n % 16 << 8, data=n.to_bytes(8, "little")))
            n += 1
        time.sleep(0.001)
    n_sent.value = n
    bus.shutdown()


def samples(pid: int, seconds: float, every_s: float) -> Iterator[tuple[float, float]]:
    """Yield a process's processor time in seconds and its resident memory in MB, as Linux' /proc has them."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        time.sleep(min(every_s, max(0.01, end_s - time.monotonic())))
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
        memory_kb = int(status.partition("VmRSS:")[2].split()[0])
        yield (int(fields[11]) + int(fields[12])) / 100, memory_kb / 1000


def main() -> None:
    """Run it, and print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    per_s = float(sys.argv[2]) if len(sys.argv) > 2 else FRAMES_PER_S
    with tempfile.TemporaryDirectory(prefix="live-receive-") as scratch:
        folder = Path(scratch) / "recording"
        options = [word for group in GROUPS for word in ("--bus", f"udp_multicast:{group}")]
        command = [sys.executable, "-m", "busdoc", "record", *options, "-o", str(folder), "--keep-free", "10MB"]
        recorder = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8")
        time.sleep(2.0)
        counts = [multiprocessing.Value("q", 0) for _ in GROUPS]
        senders = [
            multiprocessing.Process(target=send, args=(group, per_s / len(GROUPS), seconds, n_sent))
            for group, n_sent in zip(GROUPS, counts, strict=True)
        ]
        for sender in senders:
            sender.start()
        seen = list(samples(recorder.pid, seconds, 5.0))
        for sender in senders:
            sender.join()
        time.sleep(1.0)
        recorder.send_signal(signal.SIGINT)
        said, _ = recorder.communicate()
        capture = open_capture([folder])
        n_recorded = sum(len(block) for block in capture.blocks())
        n_sent = sum(count.value for count in counts)
        (first_s, first_mb), (last_s, last_mb) = seen[len(seen) // 3], seen[-1]
        apart_s = 5.0 * (len(seen) - 1 - len(seen) // 3) or 1.0
        print(said, end="")
        print(f"sent {n_sent:,} ({n_sent / seconds:,.0f}/s), recorded {n_recorded:,}, missing {n_sent - n_recorded:,}")
        print(f"gaps {len(capture.gaps)}; {(last_s - first_s) / apart_s:.0%} of one core")
        print(f"memory {first_mb:.0f} MB after a third, {last_mb:.0f} MB at the end")


if __name__ == "__main__":
    main()
