"""Two full buses on the screen: what a session costs, what is lost, and whether memory stays flat.

Two senders in their own processes put frames on two UDP multicast groups of the loopback interface, 16,000 a second in
all (two classical buses at 1 Mbit/s and full load), from 16 controllers on each. `busdoc isolate` runs on both with
its real screen, 160 columns by 50 lines, on a pseudo-terminal that somebody reads. Counted are the frames sent, those
in the recording, the process's own time on the processor, and its memory after a third and at the end.

    python -m benchmarks.live.load [SECONDS] [FRAMES_PER_S]
"""

import fcntl
import multiprocessing
import os
import pty
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.live.receive import samples
from busdoc.capture.source import open_capture

GROUPS = ("239.74.163.43", "239.74.163.44")
SECONDS = 600.0
FRAMES_PER_S = 16_000.0
N_CONTROLLERS = 16


def send(group: str, per_s: float, seconds: float, n_sent: "Synchronized[int]") -> None:
    """Send at an even rate: eight streams of each of sixteen controllers; each frame holds its number."""
    import can

    bus = can.Bus(interface="udp_multicast", channel=group)
    start_s = time.perf_counter()
    n = 0
    while (elapsed_s := time.perf_counter() - start_s) < seconds:
        due = int(elapsed_s * per_s)
        while n < due:
            identifier = 0x18FF0000 | (n // N_CONTROLLERS % 8) << 8 | n % N_CONTROLLERS
            bus.send(can.Message(arbitration_id=identifier, data=n.to_bytes(8, "little")))
            n += 1
        time.sleep(0.001)
    n_sent.value = n
    bus.shutdown()


def on_a_terminal(
    command: list[str], hear: Callable[[bytes], None] = lambda _: None
) -> "tuple[subprocess.Popen[bytes], int]":
    """Start a command on a pseudo-terminal; a thread reads it and hands on what it read. Give both."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 160, 0, 0))
    process = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env={**os.environ, "TERM": "xterm-256color"}
    )
    os.close(theirs)

    def read() -> None:
        try:
            while piece := os.read(ours, 1 << 16):
                hear(piece)
        except OSError:
            return  # the other end was closed

    threading.Thread(target=read, daemon=True).start()
    return process, ours


def main() -> None:
    """Run it, and print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    per_s = float(sys.argv[2]) if len(sys.argv) > 2 else FRAMES_PER_S
    with tempfile.TemporaryDirectory(prefix="live-load-") as scratch:
        folder = Path(scratch) / "session"
        options = [word for group in GROUPS for word in ("--bus", f"udp_multicast:{group}")]
        command = [sys.executable, "-m", "busdoc", "isolate", *options, "--session", str(folder), "--quiet"]
        drawn = threading.Event()
        screen, keyboard = on_a_terminal(command, lambda _: drawn.set())
        drawn.wait(60)
        time.sleep(4.0)
        os.write(keyboard, b" ")  # the cautions are read
        counts = [multiprocessing.Value("q", 0) for _ in GROUPS]
        senders = [
            multiprocessing.Process(target=send, args=(group, per_s / len(GROUPS), seconds, n_sent))
            for group, n_sent in zip(GROUPS, counts, strict=True)
        ]
        for sender in senders:
            sender.start()
        seen = list(samples(screen.pid, seconds, 5.0))
        for sender in senders:
            sender.join()
        time.sleep(1.5)
        screen.send_signal(signal.SIGTERM)
        try:
            screen.wait(20)
        except subprocess.TimeoutExpired:
            screen.kill()
        capture = open_capture([folder / "recording"])
        numbers: list[list[Any]] = [[] for _ in GROUPS]
        for block in capture.blocks():
            number = np.ascontiguousarray(block.data).view("<u8")[:, 0]
            for channel, found in enumerate(numbers):
                found.append(number[block.channel == channel])
        n_recorded = sum(len(piece) for found in numbers for piece in found)
        n_sent = sum(count.value for count in counts)
        firsts = [int(np.concatenate(found)[:1].sum()) for found in numbers]
        (first_s, first_mb), (last_s, last_mb) = seen[len(seen) // 3], seen[-1]
        apart_s = 5.0 * (len(seen) - 1 - len(seen) // 3) or 1.0
        print(f"sent {n_sent:,} ({n_sent / seconds:,.0f}/s), recorded {n_recorded:,}, missing {n_sent - n_recorded:,}")
        print(f"of those, sent before the first that was heard: {sum(firsts):,}")
        print(f"gaps {len(capture.gaps)}; {(last_s - first_s) / apart_s:.0%} of one core")
        print(f"memory {first_mb:.0f} MB after a third, {last_mb:.0f} MB at the end")


if __name__ == "__main__":
    main()
