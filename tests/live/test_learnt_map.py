"""A session without a map: branches named on the way, the verdict on them, and the map that is kept."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from busdoc.actions.action import ActionKind
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine, PartKind
from busdoc.machine.machine_map import load_machine
from busdoc.session.folder import SessionFolder
from tests.truth.scripted_bus import START_NS, ScriptedBus

S = 10**9
MS = 10**6


class HandClock:
    def __init__(self, bus: ScriptedBus) -> None:
        self._bus = bus

    def __call__(self) -> float:
        return (self._bus.clock_ns - START_NS) / S


def guided(folder: SessionFolder | None) -> tuple[ScriptedBus, LiveSession]:
    bus = ScriptedBus()
    session = LiveSession(bus, Machine(), folder=folder, clock_s=HandClock(bus))
    session.start()
    return bus, session


def run(
    bus: ScriptedBus, session: LiveSession, seconds: float, *, off: Sequence[tuple[float, float]] = (), tick_s: int = 1
) -> None:
    """Let time go on in ticks; the hopper is off in the stretches given."""
    begun_ns = bus.clock_ns
    while bus.clock_ns < begun_ns + seconds * S:
        at_s = (bus.clock_ns - begun_ns) / S
        bus.hopper_on = not any(from_s <= at_s < to_s for from_s, to_s in off)
        bus.clock_ns += tick_s * S
        session.step()


def worked(folder: SessionFolder | None) -> LiveSession:
    """Pull A and B out and put them back: the hopper falls every 10 s unless B is out."""
    bus, session = guided(folder)
    falls = [(10.0 * k + 2.0, 10.0 * k + 5.0) for k in range(12)]
    run(bus, session, 45, off=falls)
    session.act(ActionKind.UNPLUG, "A")
    run(bus, session, 42, off=falls)
    session.act(ActionKind.PLUG, "A")
    session.act(ActionKind.UNPLUG, "B")
    run(bus, session, 150, tick_s=10)
    session.act(ActionKind.PLUG, "B")
    run(bus, session, 30, off=falls)
    return session


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, LiveSession]:
    path = tmp_path_factory.mktemp("guided") / "s"
    session = worked(SessionFolder(path))
    session.close()
    return path, session


def test_the_branch_that_brings_the_fault_along_is_the_first_suspect(kept: tuple[Path, LiveSession]) -> None:
    _, session = kept
    suspects = session.view().suspects
    assert suspects[0].part == "B"
    assert suspects[0].probability > 0.5
    worth_of = {one.part: one.probability for one in suspects}
    assert worth_of["B"] > 10 * worth_of["A"]


def test_the_branches_and_controllers_become_a_map_that_can_be_read(kept: tuple[Path, LiveSession]) -> None:
    path, session = kept
    learnt = load_machine(path / "learnt.toml")
    assert {name: part.kind for name, part in learnt.parts.items()} == {"A": PartKind.HARNESS, "B": PartKind.HARNESS}
    assert set(learnt.controllers) == {row.name for row in session.view().controllers}


def test_where_nobody_said_it_a_branch_stands_at_the_controller_that_kept_falling(
    kept: tuple[Path, LiveSession],
) -> None:
    path, session = kept
    learnt = load_machine(path / "learnt.toml")
    assert {part.owner for part in learnt.parts.values()} == {session.view().focus}
    assert "nobody said where the branch sits" in (path / "learnt.toml").read_text(encoding="utf-8")


def test_a_branch_stands_where_it_was_said_to_sit(tmp_path: Path) -> None:
    bus, session = guided(SessionFolder(tmp_path / "s"))
    run(bus, session, 10)
    sitting = next(row.name for row in session.view().controllers if "21" in row.name)
    session.act(ActionKind.UNPLUG, "left")
    session.act(ActionKind.PLUG, "left", f"{sitting}:A")
    run(bus, session, 5)
    session.close()
    part = load_machine(tmp_path / "s" / "learnt.toml").parts["left"]
    assert (part.owner, part.socket) == (sitting, "A")


def test_a_session_that_named_no_branch_keeps_no_map(tmp_path: Path) -> None:
    bus, session = guided(SessionFolder(tmp_path / "s"))
    run(bus, session, 5)
    session.close()
    assert not (tmp_path / "s" / "learnt.toml").exists()
