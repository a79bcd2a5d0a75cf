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
DM1 = 0x18FECA31
BUS_ERROR = 0x08
"""A protocol violation (include/uapi/linux/can/error.h)."""
START_NS = 1_800_000_000 * S


class ScriptedBus:
    """Two controllers, of which `hopper` falls silent when asked; time goes on by hand."""

    def __init__(self) -> None:
        self.channels = ChannelTable()
        self._channel = self.channels.number("can0")
        self.epoch, self.finished = True, False
        self.clock_ns = START_NS
        self.hopper_on = True
        self.symptom: str | None = None
        """None: nobody speaks of faults; empty: no fault shows; `code`, `condition` or `bus`: that does."""
        self._sent_ns = START_NS

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def now_ns(self) -> int:
        return self.clock_ns

    def buses(self) -> tuple[BusState, ...]:
        return (BusState(name="can0", channel=self._channel, hearing=Hearing.HEARD, since_ns=START_NS),)

    def take(self) -> Taken:
        times: list[int] = []
        ids: list[int] = []
        while self._sent_ns <= self.clock_ns:
            senders = [0x18FF0021] + [0x18FF0031] * self.hopper_on
            times += [self._sent_ns + k for k in range(len(senders))]
            ids += senders
            if self.symptom is not None and (self._sent_ns - START_NS) % S == 0:
                times.append(self._sent_ns + 10)
                ids.append(DM1)
            if self.symptom == "bus":
                times.append(self._sent_ns + 20)
                ids.append(BUS_ERROR)
            self._sent_ns += 100 * MS
        n = len(ids)
        block = FrameBlock(
            t_ns=np.array(times, np.int64),
            channel=np.full(n, self._channel, np.uint8),
            id=np.array(ids, np.uint32),
            flags=np.array([FrameFlag.ERROR if one == BUS_ERROR else FrameFlag.EXTENDED for one in ids], np.uint16),
            length=np.full(n, 8, np.uint8),
            data=np.array([self._said(one) for one in ids], np.uint8).reshape(n, 8),
        )
        return Taken(frames=block, gaps=(), heard_until_ns=self.clock_ns)

    def _said(self, identifier: int) -> list[int]:
        if identifier == DM1 and self.symptom == "code":  # SPN 110 FMI 3, once (SAE J1939-73 5.7.1)
            return [0, 0xFF, 110, 0, 3, 1, 0xFF, 0xFF]
        if identifier == 0x18FF0031 and self.symptom == "condition":
            return [95, *[0] * 7]
        return [0, 0xFF, *[0] * 6] if identifier == DM1 else [0] * 8


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
