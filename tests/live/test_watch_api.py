"""`busdoc.watch`: live views over buses that somebody else opened, and nothing sent on them."""

from collections.abc import Callable, Iterator
from pathlib import Path

import can
import pytest

import busdoc
from busdoc.live.view import SessionView

MAP = """\
[machine]
name = "Street sweeper"

[[controller]]
name = "broom"
address = 0x22

[[part]]
name = "broom-harness"
kind = "connector"
"""


@pytest.fixture
def buses() -> Iterator[tuple[can.BusABC, can.BusABC]]:
    """One that speaks and one that is lent."""
    name = "watched"
    with can.Bus(name, interface="virtual") as speaking, can.Bus(name, interface="virtual") as lent:
        yield speaking, lent


def first_of(views: Iterator[SessionView], wanted: Callable[[SessionView], bool]) -> SessionView:
    """Give the first view that is as it should be."""
    found = next((view for _, view in zip(range(500), views, strict=False) if wanted(view)), None)
    assert found is not None
    return found


def test_views_come_until_the_watch_is_closed_and_the_bus_stays_open(
    buses: tuple[can.BusABC, can.BusABC], tmp_path: Path
) -> None:
    speaking, lent = buses
    machine = tmp_path / "machine.toml"
    machine.write_text(MAP, encoding="utf-8")
    with busdoc.watch(lent, machine=machine, every_s=0.02) as views:
        assert next(views).frames == 0
        for _ in range(5):
            speaking.send(can.Message(arbitration_id=0x18FF1022, data=b"\1\2", is_extended_id=True))
        view = first_of(views, lambda one: one.frames >= 5 and bool(one.controllers))
        assert [row.name for row in view.controllers] == ["broom"]
        assert view.buses[0].name == "virtual:Virtual bus channel watched"
        action = views.log("unplug", "broom-harness")
        assert views.result().actions == (action,)
    assert list(views) == []
    speaking.send(can.Message(arbitration_id=0x123))
    assert lent.recv(1.0) is not None


def test_an_action_that_does_not_exist_is_refused_with_those_that_do(buses: tuple[can.BusABC, can.BusABC]) -> None:
    with busdoc.watch([buses[1]], every_s=0.02) as views:
        next(views)
        with pytest.raises(busdoc.InputError, match="unplug"):
            views.log("kick")


def test_no_bus_at_all_is_refused() -> None:
    with pytest.raises(busdoc.InputError, match="at least one bus"):
        busdoc.watch([])
