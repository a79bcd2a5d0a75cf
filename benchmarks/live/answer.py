"""How soon the real screen tells a loss, and answers a key, also on a computer that is busy with something else.

Controllers on a loopback bus fall silent one after the other; `busdoc isolate` runs on a pseudo-terminal that is read
as it draws. Printed are the times from a controller's deadline (as the session's own recording gives it) to LOST on the
screen, which may be 150 ms, and from a key to what it draws, which may be 50 ms.

    python -m benchmarks.live.answer [--losses 20] [--busy 0 4]
"""

import argparse
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path

import busdoc
from benchmarks.live.load import on_a_terminal

_GROUP = "239.74.163.45"
_PERIOD_S = 0.1
_CONTROLLERS = 4
_LEARNT_S = 8.0
_AWAY_S = 2.0
_STEADY_S = 3.0


def main() -> None:
    """Run it for each number of busy processes, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--losses", type=int, default=20)
    parser.add_argument("--busy", type=int, nargs="+", default=[0, 4], help="processes that keep the computer busy")
    given = parser.parse_args()
    print("             deadline to screen, ms        | key to screen, ms")
    heads = f"{'median':>6} {'90 %':>5} {'most':>5}"
    print(f"{'busy':>4} {'load':>5} | {'losses':>6} {heads} | {heads}")
    for busy in given.busy:
        spinning = [multiprocessing.Process(target=_spin, daemon=True) for _ in range(busy)]
        for process in spinning:
            process.start()
        losses_ms, keys_ms = _measure(given.losses)
        load = os.getloadavg()[0]
        for process in spinning:
            process.kill()
        lost, keys = ("{:6.0f} {:5.0f} {:5.0f}".format(*_spread(values)) for values in (losses_ms, keys_ms))
        print(f"{busy:4} {load:5.1f} | {len(losses_ms):6} {lost} | {keys}", flush=True)


def _spread(values: list[float]) -> tuple[float, float, float]:
    """Median, nine in ten, most."""
    ordered = sorted(values)
    return ordered[len(ordered) // 2], ordered[len(ordered) * 9 // 10], ordered[-1]


def _spin() -> None:
    while True:
        pass


def _measure(n: int) -> tuple[list[float], list[float]]:
    """Give the times of n losses after their deadlines, and of as many keys, ms."""
    drawn: list[tuple[float, bytes]] = []
    came = threading.Event()

    def hear(piece: bytes) -> None:
        drawn.append((time.monotonic(), piece))
        came.set()

    def until(text: bytes, since_s: float, most_s: float) -> float | None:
        """When a text was drawn first after a time; None: not within so long."""
        end_s = time.monotonic() + most_s
        while time.monotonic() < end_s:
            for at_s, piece in drawn:
                if at_s >= since_s and text in piece:
                    return at_s
            came.wait(0.005)
            came.clear()
        return None

    with tempfile.TemporaryDirectory(prefix="live-answer-") as scratch:
        folder = Path(scratch) / "session"
        options = ["--bus", f"udp_multicast:{_GROUP}", "--session", str(folder), "--quiet"]
        screen, keyboard = on_a_terminal([sys.executable, "-m", "busdoc", "isolate", *options], hear)
        ours, theirs = multiprocessing.Pipe()
        sender = multiprocessing.Process(target=_send, args=(theirs,), daemon=True)
        sender.start()
        until(b"auti", 0.0, 60.0)
        time.sleep(2.0)
        os.write(keyboard, b" ")
        time.sleep(_LEARNT_S)
        keys_ms, losses = [], []
        for k in range(n):
            last_s = _silence(ours, k % _CONTROLLERS)
            at_s = until(b"LOST", last_s, _AWAY_S)
            if at_s is not None:
                losses.append((k % _CONTROLLERS, (at_s - last_s) * 1e3))
            time.sleep(_AWAY_S / 2)
            ours.send(None)
            time.sleep(_STEADY_S)
            for text in (b"\xe2\x96\x80\xe2\x96\x84", b"Roll call"):  # the big view's letters, then the areas again
                pressed_s = time.monotonic()
                os.write(keyboard, b"b")
                at_s = until(text, pressed_s, 2.0)
                keys_ms.append(2e3 if at_s is None else (at_s - pressed_s) * 1e3)
                time.sleep(0.4)
            drawn.clear()
        screen.send_signal(signal.SIGTERM)
        try:
            screen.wait(20)
        except subprocess.TimeoutExpired:
            screen.kill()
        sender.kill()
        deadlines_ms = _deadlines_ms(folder)
    return [after - deadlines_ms[name] for name, after in losses], keys_ms


def _silence(pipe: Connection, which: int) -> float:
    """Have a controller fall silent; give when its last frame was sent."""
    pipe.send(which)
    last_s: float = pipe.recv()
    return last_s


def _send(pipe: Connection) -> None:
    """Send the frames of all controllers but the one that is to be silent."""
    import can

    bus = can.Bus(interface="udp_multicast", channel=_GROUP)
    silent: int | None = None
    start_s, n = time.monotonic(), 0
    last_s = [0.0] * _CONTROLLERS
    while True:
        for which in range(_CONTROLLERS):
            if which != silent:
                bus.send(can.Message(arbitration_id=0x18FF0100 | which, data=n.to_bytes(8, "little")))
                last_s[which] = time.monotonic()
        n += 1
        while (left_s := start_s + n * _PERIOD_S - time.monotonic()) > 0.0:
            if pipe.poll(left_s):
                silent = pipe.recv()
                if silent is not None:
                    pipe.send(last_s[silent])


def _deadlines_ms(folder: Path) -> dict[int, float]:
    """By controller, the longest deadline of its streams, as its recording gives it."""
    found: dict[int, float] = {}
    for one in busdoc.postmortem(folder).health.controllers:
        for stream in one.streams:
            found[stream.key.id & 0xFF] = (stream.deadline_ns or 0) / 1e6
    return found


if __name__ == "__main__":
    main()
