"""Two full buses on the screen: what a session costs, what is lost, and whether memory stays flat.

`busdoc isolate` runs on two full buses of `senders` with its real screen, 160 columns by 50 lines, on a pseudo-terminal
that somebody reads. Counted are the frames sent, those in the recording, the process's own time on the processor, and
its memory after a third and at the end.

    python -m benchmarks.live.load [SECONDS] [FRAMES_PER_S]
"""

import fcntl
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
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.live.senders import FRAMES_PER_S, Cost, Senders
from busdoc.capture.source import open_capture

GROUPS = ("239.74.163.43", "239.74.163.44")
SECONDS = 600.0


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
        senders = Senders(GROUPS, per_s, seconds)
        cost = Cost(screen.pid, seconds)
        n_sent = senders.finish()
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
        firsts = [int(np.concatenate(found)[:1].sum()) for found in numbers]
        print(f"sent {n_sent:,} ({n_sent / seconds:,.0f}/s), recorded {n_recorded:,}, missing {n_sent - n_recorded:,}")
        print(f"of those, sent before the first that was heard: {sum(firsts):,}")
        print(f"gaps {len(capture.gaps)}; {cost}")


if __name__ == "__main__":
    main()
