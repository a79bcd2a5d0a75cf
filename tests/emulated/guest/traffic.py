"""A machine to listen to, in the emulated kernel: it sends on one end of a pair of interfaces.

machine ─ can9 ═ can0 ─ busdoc, and the reference recorder beside it

python traffic.py can9 30      sends the bundled sweeper's healthy half minute, whatever becomes of the interface
"""

import contextlib
import gzip
import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = [
    "Machine",
    "bring_up",
    "frame",
    "healthy",
    "heartbeats",
    "ip",
    "let_pass",
    "machine_beside",
    "open_socket",
    "take_away",
]

ROOT = Path(__file__).resolve().parents[3]
CAPTURE = ROOT / "captures" / "sweeper_segment" / "capture.log.gz"
HEALTHY_S = 38.0
"""Its first fault comes later (scenario.toml)."""
_CAN_RAW_FD_FRAMES = 5
_EXTENDED = 0x8000_0000
"""Numbers of the Linux headers linux/can.h and linux/can/raw.h."""


def ip(words: str) -> None:
    """Run an `ip` command."""
    subprocess.run(["ip", *words.split()], check=True, capture_output=True)


def bring_up(near: str = "can0", far: str = "can9") -> None:
    """Make a pair of interfaces, what is sent on one comes out of the other, and bring both up."""
    ip(f"link add {near} type vxcan peer name {far}")
    for name in (far, near):
        ip(f"link set {name} up")


def take_away(name: str = "can0") -> None:
    """Take an interface away, and its pair with it."""
    subprocess.run(["ip", "link", "del", name], check=False, capture_output=True)


def let_pass(seconds: float) -> None:
    """Let time pass, for the machine and the kernel; how long it really was decides nothing."""
    threading.Event().wait(seconds)


def frame(id_: int, data: bytes, *, flags: int = 0) -> bytes:
    """Give a classical frame as the kernel takes it (Linux header linux/can.h: struct can_frame)."""
    return struct.pack("<IB3x8s", id_ | flags, len(data), data)


def open_socket(name: str, *, fd: bool = False) -> socket.socket:
    """Open a raw socket on an interface."""
    raw = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    if fd:
        raw.setsockopt(socket.SOL_CAN_RAW, _CAN_RAW_FD_FRAMES, 1)
    raw.bind((name,))
    return raw


def healthy() -> list[tuple[float, bytes]]:
    """Give the machine's frames with their times from the first on."""
    found: list[tuple[float, bytes]] = []
    start_s: float | None = None
    with gzip.open(CAPTURE, "rt", encoding="ascii") as lines:
        for line in lines:
            stamp, _, text = line.split()[:3]
            id_text, _, data = text.partition("#")
            at_s = float(stamp[1:-1])
            start_s = at_s if start_s is None else start_s
            if at_s - start_s > HEALTHY_S:
                break
            if not data.startswith(("R", "#")) and int(id_text, 16) < 0x2000_0000:
                extended = _EXTENDED if len(id_text) > 3 else 0
                found.append((at_s - start_s, frame(int(id_text, 16), bytes.fromhex(data), flags=extended)))
    return found


def heartbeats(seconds: float) -> list[tuple[float, bytes]]:
    """Give eight controllers' frames, each heard twice a second (eight.toml): what stalls for a moment drops none."""
    beats = ((k * 0.5 + one * 0.06, k, one) for k in range(round(seconds * 2)) for one in range(8))
    return [(at_s, frame(0x180 + one, bytes((k % 256, one)))) for at_s, k, one in beats]


class Machine:
    """Sends in a thread of its own; what the interface refuses is left out, as on a wire that is open."""

    def __init__(self, name: str, frames: list[tuple[float, bytes]] | None = None) -> None:
        self._name = name
        self._frames = healthy() if frames is None else frames
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.sent = 0

    def __enter__(self) -> "Machine":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        raw: socket.socket | None = None
        start_s = time.monotonic()
        for at_s, data in self._frames:
            while (rest_s := start_s + at_s - time.monotonic()) > 0:
                if self._ending.wait(rest_s):
                    return
            if self._ending.is_set():
                return
            try:
                raw = raw or open_socket(self._name)
                raw.send(data)
                self.sent += 1
            except OSError:
                if raw is not None:
                    raw.close()
                raw = None


@contextmanager
def machine_beside(name: str, on_s: float, off_s: float = 0.0) -> Iterator[None]:
    """Send eight heartbeats from a process of its own: so long, then after a pause again, over and over."""
    command = [sys.executable, str(Path(__file__).resolve()), name, str(on_s), str(off_s)]
    with subprocess.Popen(command) as process:
        try:
            yield
        finally:
            process.terminate()


def _main(name: str, on_s: float, off_s: float) -> None:
    with contextlib.suppress(PermissionError):
        os.sched_setscheduler(
            0, os.SCHED_FIFO, os.sched_param(10)
        )  # a machine keeps its rhythm, however busy the laptop
    frames, period_s = heartbeats(on_s), on_s + off_s
    with Machine(name, [(at_s + k * period_s, data) for k in range(10) for at_s, data in frames]):
        threading.Event().wait()


if __name__ == "__main__":
    _main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3]))
