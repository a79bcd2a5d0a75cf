"""A whole isolation on the screen: the sweeper's hopper controller, a shorted sensor, and a person who presses keys.

The machine is simulated and answers to what is done to it; the session and the screen are the real ones. The person
does what Next says, presses Space after each thing done, and otherwise only watches.
"""

from dataclasses import dataclass, field

import pytest
from textual.pilot import Pilot

from busdoc.actions.action import POWER_KINDS, ActionKind
from busdoc.isolation.verdict import ELSEWHERE, Step
from busdoc.live.session import LiveSession
from busdoc.screen.app import IsolateApp
from busdoc.screen.drawing.words import step_text
from busdoc.simulation.world import Fault
from tests.screen.live_sweeper import LiveSweeper
from tests.screen.piloted import HandClock, on_screen, text_of

TICK_S = 0.5
HANDS_S = 3.0
"""From reading a step to having done it."""
PRESS_S = 0.5
"""From having done it to pressing."""
LOOK_S = 3.0
"""A name is believed when it stands for so long."""
PATIENCE_S = 1800.0
NAMED_AT = 0.8
"""As the headline: from here on it says 'part at fault'."""


@dataclass
class Person:
    """Does what the screen says and presses one key a time."""

    machine: LiveSweeper
    clock: HandClock
    app: IsolateApp
    pilot: Pilot[None]
    presses: int = 1
    """The cautions were read."""
    done: list[Step] = field(default_factory=list)

    def wait(self, seconds: float) -> None:
        """Watch."""
        for _ in range(round(seconds / TICK_S)):
            self.machine.wait(TICK_S)
            self.clock.now_s += TICK_S
            self.app.tick()

    async def press(self, *keys: str) -> None:
        """Press keys, each one counted."""
        for key in keys:
            await self.pilot.press(key)
            self.presses += 1

    def _named(self) -> str | None:
        """Name the part that the screen calls at fault."""
        view = self.app.state.view
        part, probability = (view.suspects[0].part, view.suspects[0].probability) if view.suspects else (ELSEWHERE, 0.0)
        return part if part != ELSEWHERE and probability >= NAMED_AT else None

    async def isolate(self) -> str | None:
        """Work until a part is named; give its name."""
        until_s = self.machine.world.now_s + PATIENCE_S
        while self.machine.world.now_s < until_s:
            part = self._named()
            if part is not None:
                self.wait(LOOK_S)
                if self._named() == part:
                    return part
            view = self.app.state.view
            if view.next is None or not step_text(view.next):
                self.wait(1.0)
                continue
            step, shown = view.next.test.steps[view.next.step], step_text(view.next)
            self.wait(HANDS_S)
            if self.app.state.view.next is None or step_text(self.app.state.view.next) != shown:
                continue  # it changed before hands were on it
            held_ns = view.next.hold_until_ns
            while held_ns is not None and self.app.state.view.now_ns < held_ns:
                self.wait(1.0)
            n_before = len(self.app.state.view.actions)
            self.machine.do(step.action, step.part, step.into)
            self.done.append(step)
            if step.action in POWER_KINDS:  # nobody presses: the traffic shows it
                while len(self.app.state.view.actions) == n_before:
                    self.wait(0.5)
            else:
                self.wait(max(PRESS_S, 1.2))
                await self.press("space", *(["y"] if step.action is ActionKind.REPLACE else []))
            logged = max(self.app.state.view.actions, key=lambda action: action.n)
            assert (logged.kind, logged.part) == (step.action, step.part), self.app.state.message.text
        return None


@pytest.mark.parametrize(("faulty", "at_least"), [("gate-angle", 4), ("rear-trunk", 4), ("fuse-3", 1)])
def test_a_person_who_follows_the_screen_finds_the_part_with_a_press_for_each_thing_done(
    faulty: str, at_least: int
) -> None:
    machine, clock = LiveSweeper([Fault(part=faulty, latches=True, delay_s=0.7, from_s=20.0)], seed=1), HandClock()
    session = LiveSession(machine, machine.machine, clock_s=clock)
    session.start()

    async def do(app: IsolateApp, pilot: Pilot[None]) -> tuple[str | None, int, list[Step], list[str]]:
        person = Person(machine=machine, clock=clock, app=app, pilot=pilot)
        person.wait(15.0)
        await person.press("l", "escape")  # numbers on the connectors first
        person.wait(10.0)
        machine.do(ActionKind.POWER_CYCLE)  # does it come back, and fall again?
        person.done.append(Step(action=ActionKind.POWER_CYCLE, part=None))
        await person.press("c", "enter")
        person.wait(20.0)
        named = await person.isolate()
        await pilot.pause()
        return named, person.presses, person.done, text_of(app)

    named, presses, done, screen = on_screen(session, do, clock=clock)
    session.close()
    assert named == faulty
    assert len(done) >= at_least
    assert presses <= len(done) + 5
    cycle = Step(action=ActionKind.POWER_CYCLE, part=None)
    assert done.count(cycle) <= 3  # what did not start with the power is not told to be tried again and again
    assert faulty in " ".join(screen)
