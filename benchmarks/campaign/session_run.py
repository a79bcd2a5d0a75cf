"""A session on a bus of our own that presses without pause and tells each press that was answered; made to be killed.

    python -m benchmarks.campaign.session_run FOLDER SECONDS SEED [ALSO]

Frames come every five milliseconds, so which of them must be in the folder follows from the time alone.
"""

import os
import random
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.analysis.postmortem import postmortem
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder, read_session

__all__ = ["EVERY_NS", "Told", "lost", "rest_of", "run_session"]

EVERY_NS = 5_000_000
_KINDS = (ActionKind.UNPLUG, ActionKind.PLUG, ActionKind.MARK)


def rest_of(reads: int) -> str:
    """Read what a session that ran in a process of its own has told to the end, and close its pipe."""
    pieces = []
    while piece := os.read(reads, 1 << 16):
        pieces.append(piece)
    os.close(reads)
    return b"".join(pieces).decode("ascii")


class SteadyBus:
    """Four controllers, a frame every five milliseconds of the laptop's clock."""

    def __init__(self) -> None:
        self.channels = ChannelTable()
        self._channel = self.channels.number("can0")
        self.epoch, self.finished = True, False
        self._next = self._began_ns = time.time_ns()

    def start(self) -> None:
        self._next = -(-time.time_ns() // EVERY_NS)

    def stop(self) -> None: ...

    def now_ns(self) -> int:
        return time.time_ns()

    def buses(self) -> tuple[BusState, ...]:
        return (BusState(name="can0", channel=self._channel, hearing=Hearing.HEARD, since_ns=self._began_ns),)

    def take(self) -> Taken:
        now_ns = time.time_ns()
        last = max(self._next, now_ns // EVERY_NS)
        t_ns = np.arange(self._next, last, dtype=np.int64) * EVERY_NS
        self._next = last
        n = len(t_ns)
        block = FrameBlock(
            t_ns=t_ns,
            channel=np.full(n, self._channel, np.uint8),
            id=(0x18FF0021 + (t_ns // EVERY_NS) % 4).astype(np.uint32),
            flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
            length=np.full(n, 8, np.uint8),
            data=np.zeros((n, 8), np.uint8),
        )
        return Taken(frames=block, gaps=(), heard_until_ns=now_ns)


def run_session(
    path: Path,
    seconds: float,
    source: random.Random,
    tell: Callable[[str], None],
    also: Path | None = None,
    *,
    may_refuse: bool = False,
) -> None:
    """Run a session until its time is over or a signal asks for its end; `tell` hears each press that was answered.

    A press that is refused in a sentence is told too where that may be, and fails the session otherwise.
    """
    ended: list[int] = []
    for name in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(name, lambda number, _: ended.append(number))
    bus = SteadyBus()
    folder = SessionFolder(path, also=also)
    session = LiveSession(bus, Machine(), folder=folder)
    session.start()
    tell(f"heard {time.time_ns()}")
    end_s = time.monotonic() + seconds
    k = 0
    while time.monotonic() < end_s and not ended:
        session.step()
        k += 1
        try:
            match source.randrange(8):
                case 0:
                    session.undo()
                case 1:
                    session.redo()
                case _:
                    note = f"{os.getpid()}-{k}-{time.time_ns()}"
                    session.act(source.choice(_KINDS), source.choice("AB"), note=note)
                    tell(f"pressed {note}")
        except InputError as error:
            if not may_refuse:
                raise
            tell(f"refused {error}")
        time.sleep(source.uniform(0.0, 0.03))
    tell(f"closing {time.time_ns()}")
    session.close()
    tell("closed")


@dataclass(slots=True)
class Told:
    """What a session told before it ended."""

    pressed: list[str] = field(default_factory=list)
    heard_ns: list[int] = field(default_factory=list)
    closing_ns: int = 0
    """When the last run stopped listening; 0: it did not."""
    closed: bool = False
    """Whether the last run came to its end."""

    def hear(self, text: str) -> None:
        """Take what was told, whole lines of it."""
        for line in text[: text.rfind("\n") + 1].splitlines():
            word, _, rest = line.partition(" ")
            self.closed = word == "closed"
            if word == "pressed":
                self.pressed.append(rest)
            if word == "heard":
                self.heard_ns.append(int(rest))
                self.closing_ns = 0
            if word == "closing":
                self.closing_ns = int(rest)


def lost(path: Path, told: Told, until_ns: int, *, judges: bool, may_say: bool = False) -> tuple[list[str], float]:
    """Open what is left as a session does; give what is missing that was answered, and the age of the youngest lack.

    Parameters
    ----------
    until_ns : when it was killed, or closed
    judges : whether the post-mortem of the folder is made too
    may_say : whether the folder may say that something of it is damaged

    Returns
    -------
    wrong : a sentence each
    age_s : frames as old as this at the end were missing; 0: none
    """
    wrong: list[str] = []
    try:
        folder = SessionFolder(path)
    except InputError as error:
        return [f"it is not opened: {error}"], 0.0
    if told.pressed and not folder.resumed:
        wrong.append("begun anew")
    rows = {row.body.get("note") for row in folder.store.rows().entries}
    gone = [note for note in told.pressed if note not in rows]
    if gone:
        wrong.append(f"{len(gone)} of {len(told.pressed)} presses that were answered are gone")
    if folder.notes and not may_say:
        wrong.append(f"it says: {' '.join(folder.notes)}")
    folder.close()
    age_s, texts = _frames_gone(path, told, until_ns)
    wrong += texts
    if judges and told.pressed and not wrong:
        kept = read_session(path).actions
        try:
            if len(postmortem([path]).actions) != len(kept):
                wrong.append("the post-mortem has other actions")
        except InputError as error:
            if until_ns > told.heard_ns[0] + 1e9:
                wrong.append(f"it is not judged: {error}")
    return wrong, age_s


def _frames_gone(path: Path, told: Told, until_ns: int) -> tuple[float, list[str]]:
    if not told.heard_ns:
        return 0.0, []
    first = -(-told.heard_ns[-1] // EVERY_NS)
    try:
        blocks = list(open_capture([path / "recording"]).blocks())
        there = {int(t_ns) // EVERY_NS for block in blocks for t_ns in block.t_ns}
    except InputError:
        there = set()
    missing = [n for n in range(first, until_ns // EVERY_NS) if n not in there]
    if not missing:
        return 0.0, []
    age_s = (until_ns - missing[0] * EVERY_NS) / 1e9
    most_s = 0.01 if told.closed else 1.0
    return age_s, [f"{len(missing)} frames are missing, the oldest {age_s:.2f} s old"] if age_s > most_s else []


def main() -> None:
    """Run one session, telling on standard output."""
    path, seconds, seed, *also = sys.argv[1:]

    def tell(text: str) -> None:
        os.write(1, f"{text}\n".encode("ascii"))

    run_session(Path(path), float(seconds), random.Random(int(seed)), tell, Path(also[0]) if also else None)


if __name__ == "__main__":
    main()
