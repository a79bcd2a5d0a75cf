"""Run sessions at speed for as long as asked: memory and open files stay as they are.

    python -m benchmarks.campaign.soak [HOURS] [SESSIONS]

A bus of eight controllers, two streams each, goes on by seconds as fast as it is taken; one of them falls for some
seconds every few minutes, somebody presses and takes back, and the screen's records are asked for. Each session keeps a
folder, which is ended and gone on with every hour of the bus; then the next one begins in the same process. Given are
the memory and the open files of this process in each tenth; more at the end than after the first part is wrong, and so
is a press or a frame that is not in its folder. HOURS are the bus's own, of each session. Linux and macOS.
"""

import gc
import os
import sys
import tempfile
import time
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.capture.source import open_capture
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder, read_session

HOURS, SESSIONS = 2.0, 3
START_NS = 1_800_000_000 * 10**9
_S = 10**9
_PERIODS_NS = (100_000_000, 250_000_000)
_N_CONTROLLERS = 8
_FALLS_EVERY_S, _FALLS_FOR_S = 300, 6
_PRESS_EVERY_S = 45
_PART_S = 3600
_MORE_MEMORY = 1.15
"""Of a day's statistics some grow by what happened; a leak of what passes through would grow by far more."""
_MORE_BYTES = 16 << 20


class FastBus:
    """Eight controllers on a clock that goes on by hand."""

    def __init__(self, began_ns: int) -> None:
        self.channels = ChannelTable()
        self._channel = self.channels.number("can0")
        self.epoch, self.finished = True, False
        self.clock_ns = self._sent_ns = self._began_ns = began_ns
        self.n_frames = 0

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def now_ns(self) -> int:
        return self.clock_ns

    def buses(self) -> tuple[BusState, ...]:
        return (BusState(name="can0", channel=self._channel, hearing=Hearing.HEARD, since_ns=self._began_ns),)

    def take(self) -> Taken:
        from_ns, self._sent_ns = self._sent_ns, self.clock_ns
        times, ids = [], []
        for controller in range(_N_CONTROLLERS):
            for stream, period_ns in enumerate(_PERIODS_NS):
                own_ns = np.arange(-(-from_ns // period_ns), -(-self.clock_ns // period_ns), dtype=np.int64) * period_ns
                own_ns = own_ns + (controller * 2 + stream) * 1_000_000
                if controller == 5:
                    own_ns = own_ns[own_ns // _S % _FALLS_EVERY_S >= _FALLS_FOR_S]
                times.append(own_ns)
                ids.append(np.full(len(own_ns), 0x18FF0020 | stream << 8 | controller, np.uint32))
        t_ns = np.concatenate(times)
        order = np.argsort(t_ns, kind="stable")
        n = len(order)
        self.n_frames += n
        block = FrameBlock(
            t_ns=t_ns[order],
            channel=np.full(n, self._channel, np.uint8),
            id=np.concatenate(ids)[order],
            flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
            length=np.full(n, 8, np.uint8),
            data=np.zeros((n, 8), np.uint8),
        )
        return Taken(frames=block, gaps=(), heard_until_ns=self.clock_ns)

    def clock_s(self) -> float:
        """Give the seconds since the start."""
        return (self.clock_ns - START_NS) / _S


@dataclass(slots=True)
class Grown:
    """Memory in bytes and open files, as they were looked at."""

    memory: list[int] = field(default_factory=list)
    files: list[int] = field(default_factory=list)

    def look(self) -> None:
        """Look at both."""
        self.memory.append(_memory_bytes())
        self.files.append(_open_files())

    def wrong(self) -> list[str]:
        """Say what has grown."""
        tenths = [float(np.median(part)) for part in np.array_split(np.array(self.memory), 10) if len(part)]
        said = []
        if tenths[-1] > _MORE_MEMORY * tenths[len(tenths) // 3] + _MORE_BYTES:
            said.append(f"memory grew from {tenths[len(tenths) // 3] / 1e6:.0f} to {tenths[-1] / 1e6:.0f} MB")
        if self.files[-1] > self.files[0]:
            said.append(f"open files grew from {self.files[0]} to {self.files[-1]}")
        return said


def _memory_bytes() -> int:
    statm = Path("/proc/self/statm")
    if statm.exists():
        return int(statm.read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")
    import resource  # macOS gives only the most so far, which a leak raises as well

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _open_files() -> int:
    return len(os.listdir("/dev/fd"))


def run_part(path: Path, began_ns: int, seconds: int, grown: Grown) -> tuple[int, int, list[str]]:
    """Run a session for a part of its time; give frames, presses, and what it said of trouble."""
    bus, folder = FastBus(began_ns), SessionFolder(path)
    session = LiveSession(bus, Machine(), folder=folder, clock_s=partial(FastBus.clock_s, bus))
    session.start()
    n_pressed, said = 0, []
    for second in range(1, seconds + 1):
        bus.clock_ns += _S
        session.step()
        view = session.view()
        if view.trouble:
            said.append(view.trouble)
        if second % _PRESS_EVERY_S == 0:
            k = second // _PRESS_EVERY_S
            if k % 7 == 6:
                session.undo()
                session.redo()
            session.act((ActionKind.UNPLUG, ActionKind.PLUG, ActionKind.MARK)[k % 3], "A")
            n_pressed += 1
        if second % 60 == 0:
            grown.look()
    session.close()
    return bus.n_frames, n_pressed, said


def main() -> int:
    """Run it, and print the figures."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else HOURS
    sessions = int(sys.argv[2]) if len(sys.argv) > 2 else SESSIONS
    grown, wrong, n_all, began_s = Grown(), [], 0, time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-soak-") as place:
        run_part(Path(place) / "warm", START_NS, 400, Grown())  # what is loaded and compiled once
        gc.collect()
        grown.look()
        for k in range(sessions):
            path, n_frames, n_pressed = Path(place) / f"s{k}", 0, 0
            for from_s in range(0, round(hours * 3600), _PART_S):
                seconds = min(_PART_S, round(hours * 3600) - from_s)
                frames, pressed, said = run_part(path, START_NS + (from_s + 10) * _S, seconds, grown)
                n_frames, n_pressed = n_frames + frames, n_pressed + pressed
                wrong += said[:3]
            n_kept = sum(len(block) for block in open_capture([path / "recording"]).blocks())
            n_acted = len(read_session(path).actions)
            if (n_kept, n_acted) != (n_frames, n_pressed):
                wrong.append(f"session {k + 1}: {n_kept} of {n_frames} frames, {n_acted} of {n_pressed} presses")
            n_all += n_frames
        gc.collect()
        grown.look()
    wrong += grown.wrong()
    tenths = [float(np.median(part)) / 1e6 for part in np.array_split(np.array(grown.memory), 10) if len(part)]
    print(f"memory by tenths, MB: {', '.join(f'{value:.0f}' for value in tenths)}")
    print(f"open files: {grown.files[0]} at first, {max(grown.files)} at most, {grown.files[-1]} at last")
    for text in wrong:
        print(text)
    took_s = time.monotonic() - began_s
    print(f"{sessions} sessions of {hours:g} h, {n_all:,} frames in {took_s / 60:.1f} min, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
