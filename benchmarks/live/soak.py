"""A day of traffic through the screen, compressed by replay: do memory and files stay bounded, is the screen alive?

A recording of many hours is written: eight controllers of two streams, one of which falls for some seconds every few
minutes. `busdoc isolate --replay` plays it on its real screen, on a pseudo-terminal that somebody reads, and keeps a
session of it. Every few seconds a key that changes the screen is pressed, and the time until the screen answers is
taken. Counted are the process's memory in each tenth of the run, the frames in the folder, and its size.

    python -m benchmarks.live.soak [HOURS] [SPEED]
"""

import os
import queue
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.live.load import on_a_terminal
from benchmarks.live.senders import samples
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import log_text
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.source import open_capture

HOURS = 24.0
SPEED = 200.0
N_CONTROLLERS = 8
STREAMS_NS = (100_000_000, 250_000_000)
FALLS_EVERY_S = 600.0
FALLS_FOR_S = 6.0
START_NS = 1_800_000_000_000_000_000


def write_day(path: Path, hours: float) -> int:
    """Write the recording an hour at a time; give the number of frames."""
    random = np.random.default_rng(2026)
    channels = ChannelTable()
    channels.number("can0")
    n_frames = 0
    with path.open("wb") as file:
        for first_s in np.arange(0.0, hours * 3600, 3600.0):
            block = stretch(first_s, min(3600.0, hours * 3600 - first_s), random)
            file.write(log_text(block, channels))
            n_frames += len(block)
    return n_frames


def stretch(first_s: float, seconds: float, random: np.random.Generator) -> FrameBlock:
    """Make the frames of one stretch; controller 5 is silent for a while again and again."""
    times, ids = [], []
    for controller in range(N_CONTROLLERS):
        for stream, period_ns in enumerate(STREAMS_NS):
            n = int(seconds * 1e9) // period_ns
            late_ns = random.integers(0, period_ns // 50, n)
            t_ns = START_NS + round(first_s * 1e9) + controller * 1_000_000 + np.arange(n) * period_ns + late_ns
            if controller == 5:
                t_ns = t_ns[((t_ns - START_NS) / 1e9 % FALLS_EVERY_S) < FALLS_EVERY_S - FALLS_FOR_S]
            times.append(t_ns)
            ids.append(np.full(len(t_ns), 0x18FF0000 | stream << 8 | 0x20 + controller, np.uint32))
    order = np.argsort(np.concatenate(times), kind="stable")
    n = len(order)
    return FrameBlock(
        t_ns=np.concatenate(times)[order],
        channel=np.zeros(n, np.uint8),
        id=np.concatenate(ids)[order],
        flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=random.integers(0, 250, (n, 8)).astype(np.uint8),
    )


def main() -> None:
    """Run it, and print the figures."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else HOURS
    speed = float(sys.argv[2]) if len(sys.argv) > 2 else SPEED
    with tempfile.TemporaryDirectory(prefix="live-soak-") as scratch:
        day, folder = Path(scratch) / "day.log", Path(scratch) / "session"
        n_frames = write_day(day, hours)
        print(f"{hours:g} h, {n_frames:,} frames, {day.stat().st_size / 1e6:.0f} MB of text; played at {speed:g}x")
        command = [sys.executable, "-m", "busdoc", "isolate", "--replay", str(day), "--speed", f"{speed:g}", "--quiet"]
        drawn: queue.Queue[bytes] = queue.Queue()
        process, keyboard = on_a_terminal([*command, "--session", str(folder)], drawn.put)
        time.sleep(4.0)
        os.write(keyboard, b" ")  # the cautions are read
        seconds = hours * 3600 / speed
        memory_mb, answers_s = [], []
        begun_s = used_s = 0.0
        for used_s, resident_mb in samples(process.pid, seconds + 10, max(2.0, seconds / 60)):
            begun_s = begun_s or used_s
            memory_mb.append(resident_mb)
            while not drawn.empty():
                drawn.get()
            pressed_s = time.monotonic()
            os.write(keyboard, b"b")
            try:
                drawn.get(timeout=10.0)
            except queue.Empty:
                print("the screen did not answer")
            answers_s.append(time.monotonic() - pressed_s)
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
        n_kept = sum(len(block) for block in open_capture([folder / "recording"]).blocks())
        size_mb = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file()) / 1e6
        tenths = [round(float(part.mean())) for part in np.array_split(np.array(memory_mb), 10) if len(part)]
        print(f"memory by tenths of the run, MB: {', '.join(map(str, tenths))}")
        print(f"{(used_s - begun_s) / seconds:.0%} of one core")
        print(f"answers to a key: median {np.median(answers_s):.2f} s, longest {max(answers_s):.2f} s")
        print(f"kept {n_kept:,} of {n_frames:,} frames in {size_mb:.0f} MB; exit status {process.returncode}")


if __name__ == "__main__":
    main()
