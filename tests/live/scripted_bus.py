"""A bus made up by hand: two controllers, of which one falls silent when asked; its clock is moved by the test."""

from pathlib import Path

import numpy as np

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder

S = 10**9
MS = 10**6
START_NS = 1_800_000_000 * S


class ScriptedBus:
    """Two controllers, of which `hopper` falls silent when asked; time goes on by hand."""

    def __init__(self) -> None:
        self.channels = ChannelTable()
        self._channel = self.channels.number("can0")
        self.epoch, self.finished = True, False
        self.clock_ns = START_NS
        self.hopper_on = True
        self._sent_ns = START_NS

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def now_ns(self) -> int:
        return self.clock_ns

    def buses(self) -> tuple[BusState, ...]:
        return (BusState(name="can0", channel=self._channel, hearing=Hearing.HEARD, since_ns=START_NS),)

    def take(self) -> Taken:
        times, ids = [], []
        while self._sent_ns <= self.clock_ns:
            senders = [0x18FF0021] + [0x18FF0031] * self.hopper_on
            times += [self._sent_ns + k for k in range(len(senders))]
            ids += senders
            self._sent_ns += 100 * MS
        n = len(ids)
        block = FrameBlock(
            t_ns=np.array(times, np.int64),
            channel=np.full(n, self._channel, np.uint8),
            id=np.array(ids, np.uint32),
            flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
            length=np.full(n, 8, np.uint8),
            data=np.zeros((n, 8), np.uint8),
        )
        return Taken(frames=block, gaps=(), heard_until_ns=self.clock_ns)


def run(bus: ScriptedBus, session: LiveSession, seconds: int) -> None:
    """Let time go on by a fifth of a second at each step."""
    for _ in range(5 * seconds):
        bus.clock_ns += S // 5
        session.step()


def begun(path: Path) -> tuple[ScriptedBus, LiveSession, SessionFolder]:
    """Begin a session in a folder, without a map."""
    bus, folder = ScriptedBus(), SessionFolder(path)
    session = LiveSession(bus, Machine(), folder=folder, clock_s=lambda: (bus.clock_ns - START_NS) / S)
    session.start()
    return bus, session, folder
