"""A practice machine under the true screen, on a clock that goes as fast as it is told to.

The session, the keys and the judging are those of `busdoc isolate --practice`; only nobody waits.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC
from pathlib import Path

from busdoc.live.session import LiveSession
from busdoc.live.view import Happening, SessionView
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.screen.key_handling import ScreenState
from busdoc.session.folder import SessionFolder
from busdoc.simulation.demo import demo_scenario
from busdoc.simulation.fault import Fault
from busdoc.simulation.practice.bus import PracticeBus
from busdoc.simulation.scenario.file import load_scenario
from busdoc.simulation.scenario.scenario import Scenario, ScenarioStream, ScenarioUnit
from busdoc.times import SECOND_NS

__all__ = ["MAP", "Bench", "rear_of_sweeper", "sweeper"]

_START_NS = 1_772_000_000 * SECOND_NS


MAP = """
[machine]
name = "Street sweeper"
cautions = ["Prop the hopper before working under it."]
[[part]]
name = "battery"
kind = "feed"
[[part]]
name = "fuse-1"
kind = "feed"
into = "battery"
[[part]]
name = "fuse-3"
kind = "feed"
into = "battery"
[[part]]
name = "front-trunk"
kind = "segment"
[[part]]
name = "rear-trunk"
kind = "segment"
into = "front-trunk"
[[controller]]
name = "engine"
into = "fuse-1"
on = "front-trunk"
address = 0x00
[[controller]]
name = "hopper"
into = "fuse-3"
on = "rear-trunk"
address = 0x31
latches = true
[[controller]]
name = "fan"
into = "fuse-3"
on = "rear-trunk"
address = 0x34
[[part]]
name = "harness-A"
kind = "harness"
into = "hopper:A"
[[part]]
name = "gate-angle"
kind = "sensor"
into = "harness-A:gate"
[[part]]
name = "harness-B"
kind = "harness"
into = "hopper:B"
[[part]]
name = "tilt-angle"
kind = "sensor"
into = "harness-B:tilt"
"""


def rear_of_sweeper(*faults: Fault, map_text: str = MAP, **changes: object) -> Scenario:
    """Give three controllers of a sweeper with little to say, so that little has to be reckoned."""
    machine = machine_from_text(map_text, "machine.toml")
    streams = tuple(
        ScenarioStream(controller=name, id=identifier, period_s=0.1)
        for name, identifier in (("engine", 0x18F00400), ("hopper", 0x18FF0131), ("fan", 0x18FF0134))
    )
    units = tuple(ScenarioUnit(controller=name, boot_s=1.5) for name in machine.controllers)
    plain = Scenario(name="rear", seed=1, machine=machine, units=units, streams=streams, faults=faults)
    return replace(plain, **changes)  # type: ignore[arg-type]


def sweeper(*faults: Fault, **changes: object) -> Scenario:
    """Give the bundled street sweeper with these faults, and no other."""
    scenario = load_scenario(demo_scenario(), to_practise=True)
    return replace(scenario, faults=faults, background_errors_hz=0.0, **changes)  # type: ignore[arg-type]


class Bench:
    """A practice machine, a session on it, and the screen's state, driven by hand.

    Parameters
    ----------
    scenario : what is practised
    presses_act : what is pressed is done to the machine; False: somebody does it with `do`, whenever they do
    tick_s : how often the session takes a step
    machine : another map than the machine's own
    folder, machine_file : where the session is kept, with this map; None: nowhere
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int = 1,
        *,
        presses_act: bool = True,
        slow_hands: bool = False,
        tick_s: float = 0.1,
        machine: Machine | None = None,
        folder: Path | None = None,
        machine_file: Path | None = None,
    ) -> None:
        self.t_s = 0.0
        self.late_s = 0.0
        """The longest that the machine's own frames were sent late."""
        self.tick_s = tick_s
        self.bus = PracticeBus(
            replace(scenario, start_ns=_START_NS),
            seed,
            slow_hands=slow_hands,
            clock_ns=lambda: round(self.t_s * SECOND_NS),
        )
        self.session = LiveSession(
            self.bus,
            scenario.machine if machine is None else machine,
            folder=None if folder is None else SessionFolder(folder, machine_file=machine_file),
            hands=self.bus if presses_act else None,
            clock_s=lambda: self.t_s,
        )
        self.session.start()
        self.screen = ScreenState(self.session, quiet=False, zone=UTC, clock_s=lambda: self.t_s)
        self.heard: list[Happening] = []
        self.key("space")  # the cautions were read

    @property
    def view(self) -> SessionView:
        """What is shown."""
        return self.screen.view

    @property
    def world(self):  # type: ignore[no-untyped-def]
        """What really is."""
        return self.bus.machine.world

    def run(self, seconds: float, until: Callable[[SessionView], bool] | None = None) -> bool:
        """Let time go on; say whether what was waited for came."""
        end_s = self.t_s + seconds
        while self.t_s < end_s - 1e-9:
            self.t_s = min(end_s, self.t_s + self.tick_s)
            self.heard += self.screen.tick() or ()
            if until is not None and until(self.screen.view):
                return True
        return False

    def key(self, *keys: str) -> str:
        """Press keys, one after the other; give what the screen says then."""
        for key in keys:
            self.screen.press(key, key if len(key) == 1 else " " if key == "space" else None)
        return self.screen.message.text

    def type(self, text: str) -> str:
        """Type a name."""
        return self.key(*text)
