"""Another machine's map at the machine: it is said on the first page, and nothing of it is used."""

import pytest

from busdoc.actions.action import ActionKind
from busdoc.live.session import LiveSession
from busdoc.live.view import SessionView
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.screen.areas.head import draw_troubles
from busdoc.screen.drawing.lines import plain
from busdoc.simulation.world import Fault
from tests.screen.live_sweeper import LiveSweeper
from tests.screen.piloted import HandClock

CARRIER = """
[machine]
name = "Straddle carrier"
[[part]]
name = "carrier-fuse"
kind = "feed"
""" + "".join(
    f'[[controller]]\nname = "{name}"\ninto = "carrier-fuse"\naddress = {address}\n'
    for name, address in (("spreader", 0x91), ("hoist", 0x92), ("gantry", 0x93))
)


@pytest.fixture(scope="module")
def sweeper() -> LiveSweeper:
    return LiveSweeper([Fault(part="fuse-3", latches=True, delay_s=0.7, from_s=8.0)], seed=1)


def seen(sweeper: LiveSweeper, machine: Machine, seconds: float) -> SessionView:
    clock = HandClock()
    session = LiveSession(sweeper, machine, clock_s=clock)
    session.start()
    for _ in range(round(seconds)):
        sweeper.wait(1.0)
        clock.now_s += 1.0
        session.step()
    session.act(ActionKind.MARK, None)
    session.step()
    return session.view()


def test_another_machines_map_is_said_on_the_first_page_and_none_of_it_is_used(sweeper: LiveSweeper) -> None:
    view = seen(sweeper, machine_from_text(CARRIER, "map"), 20.0)
    shown = " ".join(" ".join(map(plain, draw_troubles(view, 80))).split())
    assert "the machine map seems to be of another machine: 0 of its 3 controllers were heard" in shown
    assert shown.endswith("its own map or none")
    assert (view.machine_name, view.harness, view.suspects, view.next) == ("", (), (), None)
    assert {row.name for row in view.controllers}.isdisjoint({"spreader", "hoist", "gantry"})


def test_its_own_map_is_used(sweeper: LiveSweeper) -> None:
    view = seen(sweeper, sweeper.machine, 5.0)
    assert view.foreign == ""
    assert view.harness
