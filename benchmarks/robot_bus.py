"""The robot's practice machine on a real bus: its frames go over loopback multicast, and the session listens there.

Time is the real one, so a job takes as long as at a machine; several run beside one another, each on its own
group.
"""

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC
from typing import TYPE_CHECKING

from busdoc.actions.action import ActionKind
from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.frames import FrameBlock
from busdoc.live.session import LiveSession
from busdoc.live.view import SessionView
from busdoc.screen.key_handling import ScreenState
from busdoc.simulation.practice.bus import PracticeBus
from busdoc.simulation.scenario.scenario import Scenario
from tests.truth.practice import Bench

if TYPE_CHECKING:
    import can

__all__ = ["BusBench"]

_SENT_EVERY_S = 0.01


class BusBench(Bench):
    """A practice machine that sends on a multicast group, and the true screen over a session that listens there.

    Parameters
    ----------
    scenario : what is practised
    seed : decides what is left to chance
    group : of the loopback interface
    tick_s : how often the session takes a step
    """

    def __init__(self, scenario: Scenario, seed: int, group: str, *, tick_s: float = 0.05) -> None:
        self.t_s, self.tick_s, self.late_s = 0.0, tick_s, 0.0
        self._began_s = time.monotonic()
        self._hands = threading.Lock()
        self._over = threading.Event()
        self.bus = _Worked(replace(scenario, start_ns=time.time_ns()), seed, self._hands)
        self.bus.start()
        self.session = LiveSession(LiveBuses([parse_bus(f"udp_multicast:{group}")]), scenario.machine)
        self.session.start()
        self._sender = threading.Thread(target=self._send, args=(group,), daemon=True)
        self._sender.start()
        self.screen = ScreenState(self.session, quiet=True, zone=UTC)
        self.heard = []
        self.key("space")

    def run(self, seconds: float, until: Callable[[SessionView], bool] | None = None) -> bool:
        """Let real time go on; say whether what was waited for came."""
        end_s = time.monotonic() + seconds
        while (now_s := time.monotonic()) < end_s:
            self.heard += self.screen.tick() or ()
            self.t_s = now_s - self._began_s
            if until is not None and until(self.screen.view):
                return True
            time.sleep(max(0.0, min(self.tick_s, end_s - time.monotonic())))
        return False

    def close(self) -> None:
        """End."""
        self._over.set()
        self._sender.join()
        self.session.close()

    def _send(self, group: str) -> None:
        import can

        with can.Bus(interface="udp_multicast", channel=group) as bus:
            sent_s = time.monotonic()
            while not self._over.wait(_SENT_EVERY_S):
                before_s, sent_s = sent_s, time.monotonic()
                self.late_s = max(self.late_s, sent_s - before_s - _SENT_EVERY_S)
                with self._hands:
                    frames = self.bus.take().frames
                for message in _messages(frames):
                    bus.send(message)


class _Worked(PracticeBus):
    """A practice machine that is worked on from another thread than the one that its frames are taken in."""

    def __init__(self, scenario: Scenario, seed: int, hands: threading.Lock) -> None:
        super().__init__(scenario, seed)
        self._lock = hands

    def do(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> None:
        with self._lock:
            super().do(kind, part, into)


def _messages(frames: FrameBlock) -> "Iterator[can.Message]":
    import can

    for row in range(len(frames)):
        yield can.Message(arbitration_id=int(frames.id[row]), is_extended_id=True, data=frames.payload(row))
