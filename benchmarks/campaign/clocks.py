"""Set clocks, correct their rate, put the laptop to sleep under sessions: nothing lost, no time torn, nobody accused.

    python -m benchmarks.campaign.clocks [RUNS] [SEED]

Each run is a process with a session on a bus of its own (python-can's virtual one), whose clocks are moved under it as
an operating system moves them: the system's clock set by an hour, forth, back, or both; the rate of all clocks wrong by
500 parts in a million (as far as NTP corrects); asleep for some seconds, in which the monotonic clock stands still and
the others go on; and stopped by a signal while everybody else goes on (SIGSTOP, SIGCONT). Frames are numbered and come
every 50 ms, so the number says when each came. Every press that was answered must be there, every frame, at its time;
and the post-mortem must find four controllers in step. Linux and macOS.
"""

import os
import random
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from benchmarks.campaign.session_run import rest_of
from busdoc.actions.action import ActionKind
from busdoc.analysis.postmortem import postmortem
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from busdoc.session.folder import SessionFolder

RUNS = 60
KINDS = (
    "untouched",
    "an hour on",
    "an hour back",
    "on and back",
    "rate too fast",
    "rate too slow",
    "asleep",
    "stopped",
)
EVERY_S = 0.05
RUN_S = 9.0
_AT_ONCE = 12
_HOUR_S = 3600.0
_RATE = 500e-6
_ASLEEP_S = 20.0
_STOPPED_S = 2.5
_CHANGES_S, _CHANGES_BACK_S = 4.0, 6.5
_TORN_S = 1.0
"""A frame may come so late on a busy laptop; a clock that was followed would tear its time by more."""


class _Clocks:
    """The clocks of a process, moved as a plan says."""

    def __init__(self, kind: str) -> None:
        self._kind = kind
        self._real = {name: getattr(time, name) for name in ("time", "time_ns", "monotonic", "monotonic_ns")}
        self._boot_ns = getattr(time, "clock_gettime_ns", None)
        self._boot = getattr(time, "CLOCK_BOOTTIME", None)
        self._began_s = float(self._real["monotonic"]())

    def ran_s(self) -> float:
        """Give for how long the process has really run."""
        return float(self._real["monotonic"]()) - self._began_s

    def put_in(self) -> None:
        """Have everybody in this process ask these clocks."""
        real, boot_ns, boot = self._real, self._boot_ns, self._boot
        time.time = lambda: real["time"]() + self._set_s() + self._asleep_s()
        time.time_ns = lambda: real["time_ns"]() + round((self._set_s() + self._asleep_s()) * 1e9)
        awake_s = 0.0 if boot is not None else 1.0  # without a clock that goes on in sleep, the steady one must
        time.monotonic_ns = lambda: real["monotonic_ns"]() + round((self._rate_s() + awake_s * self._asleep_s()) * 1e9)
        time.monotonic = lambda: time.monotonic_ns() / 1e9
        if boot_ns is not None:
            time.clock_gettime_ns = lambda number: (
                boot_ns(number) + round((self._rate_s() + (self._asleep_s() if number == boot else 0.0)) * 1e9)
            )

    def _rate_s(self) -> float:
        sign = {"rate too fast": 1.0, "rate too slow": -1.0}.get(self._kind, 0.0)
        return sign * _RATE * self.ran_s()

    def _set_s(self) -> float:
        changed, changed_back = self.ran_s() > _CHANGES_S, self.ran_s() > _CHANGES_BACK_S
        steps = {"an hour on": changed, "an hour back": -changed, "on and back": changed and not changed_back}
        return _HOUR_S * float(steps.get(self._kind, 0)) + self._rate_s()

    def _asleep_s(self) -> float:
        """Give how long the laptop slept so far: the processes' own time does not show it."""
        return _ASLEEP_S if self._kind == "asleep" and self.ran_s() > _CHANGES_S else 0.0


def run_session(path: Path, kind: str, seed: int, tell: Callable[[str], None]) -> None:
    """Run one session whose clocks are moved; `tell` hears each press that was answered."""
    import can

    from busdoc.capture.bus.address import parse_bus
    from busdoc.capture.bus.buses import LiveBuses
    from busdoc.live.session import LiveSession
    from busdoc.machine.machine import Machine

    source, clocks = random.Random(seed), _Clocks(kind)
    clocks.put_in()
    sender = can.Bus(interface="virtual", channel="campaign")
    over = threading.Event()

    def send() -> None:
        sent = -1
        while not over.wait(EVERY_S / 5):
            asleep_s = clocks._asleep_s()  # the machine goes on meanwhile, and nobody hears it
            due = int((clocks.ran_s() + asleep_s) / EVERY_S)
            first = max(sent + 1, int(_CHANGES_S / EVERY_S) + int(asleep_s / EVERY_S) if asleep_s else 0)
            for n in range(first, due + 1):
                message = can.Message(arbitration_id=0x18FF0021 + n % 4, data=n.to_bytes(8, "little"))
                sender.send(message)
            sent = max(sent, due)

    session = LiveSession(LiveBuses([parse_bus("virtual:campaign")]), Machine(), folder=SessionFolder(path))
    session.start()
    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    k = 0
    while clocks.ran_s() < RUN_S:
        session.step()
        k += 1
        if k % 20 == 0:
            note = f"{os.getpid()}-{k}"
            session.act(source.choice((ActionKind.MARK, ActionKind.UNPLUG, ActionKind.PLUG)), "A", note=note)
            tell(f"pressed {note}")
        time.sleep(0.02)
    over.set()
    thread.join()
    session.step()
    session.close()
    sender.shutdown()
    tell("closed")


def wrong_of(path: Path, kind: str, told: str) -> list[str]:
    """Open what a session left; give what is wrong with it, a sentence each."""
    wrong = [line for line in told.splitlines() if line.startswith("failed")]
    if "closed" not in told.split():
        wrong.append("it did not come to its end")
    folder = SessionFolder(path)
    notes = {row.body.get("note") for row in folder.store.rows().entries}
    folder.close()
    pressed = [line.partition(" ")[2] for line in told.splitlines() if line.startswith("pressed")]
    gone = [note for note in pressed if note not in notes]
    if gone or not pressed:
        wrong.append(f"{len(gone)} of {len(pressed)} presses that were answered are gone")
    try:
        blocks = list(open_capture([path / "recording"]).blocks())
        result = postmortem([path])
    except InputError as error:
        return [*wrong, f"it is not read: {error}"]
    came = [
        (int.from_bytes(data.tobytes(), "little"), t_ns)
        for one in blocks
        for data, t_ns in zip(one.data, one.t_ns.tolist(), strict=True)
    ]
    numbers = [n for n, _ in came]
    slept = (
        range(int(_CHANGES_S / EVERY_S) - 2, int((_CHANGES_S + _ASLEEP_S) / EVERY_S) + 2) if kind == "asleep" else ()
    )
    missing = set(range(min(numbers), max(numbers))) - set(numbers) - set(slept)
    if missing:
        wrong.append(f"{len(missing)} frames are missing")
    off_s = [t_ns / 1e9 - n * EVERY_S for n, t_ns in came]
    if kind != "stopped" and max(off_s) - min(off_s) > _TORN_S:
        wrong.append(f"times are torn by {max(off_s) - min(off_s):.1f} s")
    trouble = [result.incidents[n] for n in result.trouble.incidents]
    wrong += [f"told of {', '.join(one.controllers)}: {one.kind}" for one in trouble if one.controllers]
    if len(result.health.controllers) != 4:
        wrong.append(f"{len(result.health.controllers)} controllers")
    return wrong


def main() -> int:
    """Run it, and print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    source = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    n_of: Counter[str] = Counter()
    n_wrong: Counter[str] = Counter()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-clocks-") as place:
        for first in range(0, runs, _AT_ONCE):
            jobs = []
            for k in range(first, min(first + _AT_ONCE, runs)):
                kind, path = KINDS[k % len(KINDS)], Path(place) / f"s{k}"
                jobs.append((k, kind, path, *_begun(path, kind, source.randrange(1 << 30))))
            _stop_for_a_while([number for _, kind, _, number, _ in jobs if kind == "stopped"])
            for k, kind, path, number, reads in jobs:
                told = rest_of(reads)
                os.waitpid(number, 0)
                wrong = wrong_of(path, kind, told)
                n_of[kind] += 1
                n_wrong[kind] += bool(wrong)
                for text in wrong:
                    print(f"run {k + 1}, {kind}: {text}", flush=True)
    print(f"{'':16}{'runs':>6}{'wrong':>8}")
    for kind in KINDS:
        print(f"{kind:16}{n_of[kind]:6}{n_wrong[kind]:8}")
    print(f"{runs} runs in {(time.monotonic() - began_s) / 60:.0f} min, {sum(n_wrong.values())} wrong")
    return 1 if sum(n_wrong.values()) else 0


def _begun(path: Path, kind: str, seed: int) -> tuple[int, int]:
    """Begin a session in a process of its own; give its number, and where it tells."""
    reads, writes = os.pipe()
    number = os.fork()
    if number:
        os.close(writes)
        return number, reads
    os.close(reads)

    def tell(text: str) -> None:
        os.write(writes, f"{text}\n".encode("ascii"))

    try:
        run_session(path, kind, seed, tell)
    except BaseException as error:
        tell(f"failed: {error!r}".replace("\n", " ").encode("ascii", "replace").decode("ascii"))
    finally:
        os._exit(0)


def _stop_for_a_while(numbers: list[int]) -> None:
    if not numbers:
        return
    time.sleep(_CHANGES_S)
    for number in numbers:
        os.kill(number, signal.SIGSTOP)
    time.sleep(_STOPPED_S)
    for number in numbers:
        os.kill(number, signal.SIGCONT)


if __name__ == "__main__":
    sys.exit(main())
