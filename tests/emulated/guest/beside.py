"""busdoc's recorder and the reference recorder side by side: candump of Debian's can-utils, with a large buffer."""

import csv
import re
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.listening import BusState, Hearing
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.recorder.recording import Recording
from tests.emulated.guest.traffic import let_pass

__all__ = ["Line", "Ours", "lines_of", "recording", "reference", "until"]

_GIVEN_UP_S = 240.0

Line = tuple[int, str, str]
"""Microseconds, the channel, the frame as text."""


def until(happened: Callable[[], bool]) -> None:
    """Wait until something happened."""
    end_s = time.monotonic() + _GIVEN_UP_S
    while not happened():
        assert time.monotonic() < end_s, "it did not happen"
        let_pass(0.01)


def lines_of(path: Path) -> list[Line]:
    """Read a `.log`."""
    words = [line.split() for line in path.read_text(encoding="ascii").splitlines()]
    return [(int(one[0][1:-1].replace(".", "")), one[1], one[2].upper()) for one in words]


@dataclass
class Ours:
    """What busdoc recorded, and said."""

    folder: Path
    source: LiveBuses
    said: list[str] = field(default_factory=list)

    @property
    def bus(self) -> BusState:
        return self.source.buses()[0]

    @property
    def lines(self) -> list[Line]:
        return [line for path in sorted(self.folder.glob("*.log")) for line in lines_of(path)]

    @property
    def gaps(self) -> list[tuple[float, float, str, str]]:
        with (self.folder / "gaps.csv").open(encoding="utf-8", newline="") as file:
            return [
                (float(row["from"]), float(row["to"]), row["channel"], row["why"])
                for row in csv.DictReader(file)
                if row["to"]
            ]

    @property
    def notes(self) -> str:
        return (self.folder / "notes.txt").read_text(encoding="utf-8")

    def is_(self, hearing: Hearing) -> Callable[[], bool]:
        return lambda: self.bus.hearing is hearing


@contextmanager
def recording(folder: Path, *buses: str, waits: bool = False) -> Iterator[Ours]:
    """Record as `busdoc record` does, in this process; when the context is over it has ended."""
    source = LiveBuses([parse_bus(bus) for bus in buses], waits=waits)
    source.start()
    recorder = LogRecorder(folder, source.channels, compress=False, keep_free_bytes=0)
    ours, run, ending = Ours(folder, source), Recording(source, recorder), threading.Event()

    def tick() -> None:
        while not ending.wait(0.05):
            ours.said.extend(change.text for change in run.tick())

    thread = threading.Thread(target=tick, daemon=True)
    thread.start()
    try:
        yield ours
    finally:
        ending.set()
        thread.join()
        run.finish()


@contextmanager
def reference(path: Path, *names: str) -> Iterator[None]:
    """Run the reference recorder."""
    command: Sequence[str] = ["candump", "-L", "-D", "-r", "8000000", *(f"{name},0:0,#FFFFFFFF" for name in names)]
    before = [_listeners(name) for name in names]
    with path.open("wb") as file, subprocess.Popen(command, stdout=file, stderr=subprocess.DEVNULL) as process:
        try:
            until(lambda: all(_listeners(name) > n for name, n in zip(names, before, strict=True)))
            _let_rest(process.pid)  # it reads
            yield
        finally:
            _let_rest(process.pid)
            process.terminate()
            process.wait()


def _let_rest(pid: int) -> None:
    """Wait until a process has nothing to do: it has begun to read, or has read what would wait in vain at its end."""
    spent = ""
    while spent != (now := " ".join(Path(f"/proc/{pid}/stat").read_text(encoding="ascii").split()[13:15])):
        spent = now
        let_pass(0.4)


def _listeners(name: str) -> int:
    """Count who listens to an interface, by the kernel's own list."""
    text = Path("/proc/net/can/rcvlist_all").read_text(encoding="ascii")
    return len(re.findall(rf"^\s*{name}\s.*\braw\s*$", text, re.MULTILINE))
