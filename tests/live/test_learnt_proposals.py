"""A part unplugged a second time without a press is proposed, by what the first press taught."""

from pathlib import Path

import numpy as np

from busdoc.actions.action import ActionKind, Origin
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.decode.database.database import load_databases
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine

S = 10**9
START_NS = 1_772_435_640 * S
DATABASE = Path(__file__).parents[2] / "dbc_examples" / "street_sweeper.dbc"
HOPPER_POSITION = 0x18FF3231
"""Its first signal, two bytes, is the tilt angle; 0xFFFF is 'not available' (SAE J1939-71 5.1.4)."""


class HopperAlone:
    """A bus with one stream, whose first signal is not available while the part is out."""

    def __init__(self, out_s: list[tuple[float, float]]) -> None:
        self.channels = ChannelTable()
        self.channels.number("can0")
        self.epoch, self.finished = True, False
        self._out_s = out_s
        self._t_ns = START_NS

    def start(self) -> None:
        """Nothing to open."""

    def stop(self) -> None:
        """Nothing to close."""

    def now_ns(self) -> int:
        return self._t_ns

    def buses(self) -> tuple[BusState, ...]:
        return (BusState(name="can0", channel=0, hearing=Hearing.HEARD, since_ns=START_NS),)

    def take(self) -> Taken:
        """Hand over the next second: a frame each 100 ms."""
        t_ns = self._t_ns + np.arange(1, 11, dtype=np.int64) * (S // 10)
        self._t_ns += S
        data = np.zeros((10, 8), np.uint8)
        at_s = (t_ns - START_NS) / S
        for a, b in self._out_s:
            data[(at_s >= a) & (at_s < b), :2] = 0xFF
        frames = FrameBlock(
            t_ns=t_ns,
            channel=np.zeros(10, np.uint8),
            id=np.full(10, HOPPER_POSITION, np.uint32),
            flags=np.full(10, int(FrameFlag.EXTENDED), np.uint16),
            length=np.full(10, 8, np.uint8),
            data=data,
        )
        return Taken(frames=frames, gaps=(), heard_until_ns=self._t_ns)


def test_the_second_unplugging_is_proposed_as_what_the_first_taught() -> None:
    source = HopperAlone([(20.0, 40.0), (60.0, 80.0)])
    clock = iter(range(10**6))
    session = LiveSession(source, Machine(), load_databases([DATABASE]), clock_s=lambda: float(next(clock)))
    session.start()
    for second in range(100):
        session.step()
        if second == 21:
            session.act(ActionKind.UNPLUG, "left")
        if second == 41:
            session.act(ActionKind.PLUG, "left")
    proposals = session.view().proposals
    found = [(one.action.kind, one.action.part, round((one.action.time_ns - START_NS) / S)) for one in proposals]
    assert found == [(ActionKind.UNPLUG, "left", 60), (ActionKind.PLUG, "left", 80)]
    taken = session.take_proposal(proposals[0].key)
    assert taken.origin is Origin.SIGNAL
    assert [one.action.kind for one in session.view().proposals] == [ActionKind.PLUG]
