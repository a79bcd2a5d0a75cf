"""The street sweeper as a source of frames that answers to what is done to it while it is listened to."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.simulation.protocol import claims
from busdoc.simulation.scenario.file import load_scenario
from busdoc.simulation.stream import Stream, StreamClock
from busdoc.simulation.timeline import Stint, stints
from busdoc.simulation.world import Fault, World

__all__ = ["LiveSweeper"]

_S = 10**9
_SCENARIO = Path(__file__).parents[2] / "captures" / "street_sweeper" / "scenario.toml"


class LiveSweeper:
    """A simulated machine with hands on it (`busdoc.capture.listening.FrameSource`); its clock goes on when told.

    Parameters
    ----------
    faults : what is wrong with it
    seed : of all chance
    """

    def __init__(self, faults: Sequence[Fault], seed: int) -> None:
        scenario = load_scenario(_SCENARIO)
        rng = np.random.default_rng(seed)
        self.machine = scenario.machine
        self.channels = ChannelTable()
        self._channel = self.channels.number("can0")
        self._start_ns = scenario.start_ns
        self._names = {unit.controller: unit.can_name or 0 for unit in scenario.units}
        self._addresses = {name: c.spec.identity.address or 0 for name, c in scenario.machine.controllers.items()}
        self.world = World(
            scenario.machine,
            faults,
            rng,
            boot_s={unit.controller: unit.boot_s for unit in scenario.units},
            off_s={unit.controller: unit.off_s for unit in scenario.units},
            boot_spread=0.02,
            cycle_off_s=scenario.cycle_off_s,
        )
        self._clocks = [
            StreamClock(_stream(given.controller, layout.id, layout.cycle_s or 1.0, layout.length), rng)
            for given in scenario.streams
            if (layout := scenario.layouts[given.message or ""])
        ]
        self._taken_s = 0.0

    # Hands on it

    def do(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> None:
        """Do something to the machine, now."""
        self.world.act(kind, part, into)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.world.advance(seconds)

    # What is heard of it

    @property
    def epoch(self) -> bool:
        return True

    @property
    def finished(self) -> bool:
        return False

    def start(self) -> None:
        """It is there already."""

    def stop(self) -> None:
        """It goes on unheard."""

    def now_ns(self) -> int:
        return self._start_ns + round(self.world.now_s * _S)

    def buses(self) -> tuple[BusState, ...]:
        channel = self._channel
        return (BusState(name="made:can0", channel=channel, hearing=Hearing.HEARD, since_ns=self._start_ns),)

    def take(self) -> Taken:
        from_s, to_s = self._taken_s, self.world.now_s
        self._taken_s = to_s
        rows: list[tuple[int, int, bytes]] = []
        for name in self.world.machine.controllers:
            runs = stints(self.world.events, name, up_at_start=True, until_s=to_s)
            rows += [row for stint in runs if stint.end_s > from_s for row in self._sent(name, stint, from_s, to_s)]
        rows.sort()
        data = np.zeros((len(rows), 8), np.uint8)
        for k, (_, _, payload) in enumerate(rows):
            data[k, : len(payload)] = list(payload)
        n = len(rows)
        frames = FrameBlock(
            t_ns=np.array([row[0] for row in rows], np.int64),
            channel=np.full(n, self._channel, np.uint8),
            id=np.array([row[1] for row in rows], np.uint32),
            flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
            length=np.array([len(row[2]) for row in rows], np.uint8),
            data=data,
        )
        return Taken(frames=frames, gaps=(), heard_until_ns=self.now_ns())

    def _sent(self, name: str, stint: Stint, from_s: float, to_s: float) -> list[tuple[int, int, bytes]]:
        """Give what one run of a controller sent within a stretch: (ns, identifier, payload)."""
        rows = []
        for clock in self._clocks:
            if clock.stream.controller != name:
                continue
            for time_s, number in zip(*clock.ticks(stint, from_s, to_s), strict=True):
                at_s = min(max(float(time_s), from_s), to_s - 1e-6)
                if any(low <= at_s < high for low, high in stint.heard):
                    payload = bytes((int(number) & 0x0F, *(clock.stream.id >> 8 & 0x7F,) * (clock.stream.length - 1)))
                    rows.append((self._start_ns + round(at_s * _S), clock.stream.id, payload))
        said = claims([stint], name, self._addresses[name], self._names.get(name, 0), self._channel)
        rows += [
            (self._start_ns + round(claim.time_s * _S), claim.id, claim.data)
            for claim in said
            if from_s <= claim.time_s < to_s
        ]
        return rows


def _stream(controller: str, identifier: int, period_s: float, length: int) -> Stream:
    return Stream(controller=controller, id=identifier, extended=True, period_s=period_s, length=length)
