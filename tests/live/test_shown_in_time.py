"""How soon the view tells a loss, and that a replay which is over costs nothing and still answers."""

import subprocess
import sys
from pathlib import Path

import pytest

from busdoc.actions.action import ActionKind
from busdoc.decode.database.database import load_databases
from busdoc.health.controller import ControllerState
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder
from tests.truth.scripted_bus import START_NS, ScriptedBus

MS = 10**6
S = 10**9
TICK_NS = 50 * MS
_LEVEL = (
    'VERSION ""\nBU_: hopper\n'
    f'BO_ {0x80000000 | 0x18FF0031} Level: 8 hopper\n SG_ Level : 0|8@1+ (1,0) [0|250] "%" hopper\n'
)


def ticking(bus: ScriptedBus, *, cost_s: float = 0.0, folder: SessionFolder | None = None) -> LiveSession:
    """Start a session whose clock is the bus's own; each look at it costs so much."""
    extra = [0.0]

    def clock_s() -> float:
        extra[0] += cost_s
        return (bus.clock_ns - START_NS) / S + extra[0]

    session = LiveSession(bus, Machine(), folder=folder, clock_s=clock_s)
    session.start()
    return session


@pytest.mark.parametrize("recorded", [False, True])
@pytest.mark.parametrize("phase_ms", [0, 7, 26, 49, 77])
def test_a_loss_is_in_the_view_at_most_150_ms_after_its_deadline(phase_ms: int, recorded: bool, tmp_path: Path) -> None:
    bus = ScriptedBus()
    session = ticking(bus, folder=SessionFolder(tmp_path / "session") if recorded else None)
    while bus.clock_ns < START_NS + 40 * S + phase_ms * MS:
        bus.clock_ns += TICK_NS
        session.step()
    bus.hopper_on = False
    name = next(row.name for row in session.view().controllers if "31" in row.name)
    for _ in range(400):
        bus.clock_ns += TICK_NS
        session.step()
        if next(row for row in session.view().controllers if row.name == name).state is ControllerState.LOST:
            break
    assert session._judging.health is not None
    hopper = next(one for one in session._judging.health.controllers if one.name == name)
    assert hopper.last_ns is not None
    deadline_ns = max(stream.deadline_ns or 0 for stream in hopper.streams)
    shown_ns = bus.clock_ns - hopper.last_ns
    assert deadline_ns <= shown_ns <= deadline_ns + 150 * MS
    session.close()


def test_where_judging_is_slow_it_is_done_less_often() -> None:
    quick, slow = ScriptedBus(), ScriptedBus()
    count = {}
    for bus, cost_s in ((quick, 0.0), (slow, 0.2)):
        session = ticking(bus, cost_s=cost_s)
        judged: list[int] = []
        watch = session._listening.watches
        so_far = watch.so_far

        def counted(*words: object, judged: list[int] = judged, so_far: object = so_far) -> object:
            judged.append(1)
            return so_far(*words)  # type: ignore[operator]

        watch.so_far = counted  # type: ignore[method-assign, assignment]
        for _ in range(100):
            bus.clock_ns += TICK_NS
            session.step()
        count[cost_s] = len(judged)
    assert count[0.0] == pytest.approx(50, abs=2)
    assert count[0.2] < count[0.0]


def test_when_the_recording_is_over_it_is_judged_once_and_again_after_each_press() -> None:
    bus = ScriptedBus()
    session = ticking(bus)
    for _ in range(100):
        bus.clock_ns += TICK_NS
        session.step()
    bus.finished = True
    session.step()
    health = session._judging.health
    session.step()
    session.step()
    assert session._judging.health is health
    session.act(ActionKind.UNPLUG, "A")
    session.step()
    assert session._judging.health is not health
    assert [action.part for action in session.view().actions] == ["A"]


_BACKLOG = """
import sys
from busdoc.decode.database.database import load_databases
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from tests.truth.scripted_bus import S, ScriptedBus

bus = ScriptedBus()
database = load_databases([sys.argv[1]])
session = LiveSession(bus, Machine(), database)
session.start()
for backlog_s in (25_000, 1, 5_000, 1):
    bus.clock_ns += backlog_s * S
    session.step()
print(session.view().frames, "numba" in sys.modules)
session.close()
"""


def test_a_backlog_does_not_have_the_compiled_kernels_loaded(tmp_path: Path) -> None:
    # loading them takes a second, and the very first time half a minute: so much more would wait afterwards
    database = tmp_path / "two.dbc"
    database.write_text(_LEVEL, encoding="utf-8", newline="\n")
    told = subprocess.run(
        [sys.executable, "-c", _BACKLOG, str(database)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
        cwd=Path(__file__).parents[2],
    ).stdout
    assert told.split() == ["600042", "False"]


def symptom_shown(bus: ScriptedBus, session: LiveSession, *, showing: bool) -> int:
    """Go on until the complaint stands so in the view; give how long that took, ns."""
    from_ns = bus.clock_ns
    for _ in range(100):
        bus.clock_ns += TICK_NS
        session.step()
        row = session.view().complaint
        if row is not None and row.showing is showing:
            break
    return bus.clock_ns - from_ns


@pytest.mark.parametrize(("kind", "phase_ms"), [("code", 26), ("condition", 77), ("bus", 0)])
def test_a_symptom_is_in_the_view_at_most_150_ms_after_it_could_be_known(
    kind: str, phase_ms: int, tmp_path: Path
) -> None:
    """A code from the frame that brings it on, a condition from its hold on, error frames from their second on."""
    bus = ScriptedBus()
    database = tmp_path / "two.dbc"
    database.write_text(_LEVEL, encoding="utf-8", newline="\n")
    asked = {"code": None, "condition": "Level.Level > 90 for 0.3 s", "bus": "bus:errors > 3"}[kind]
    known_after_ns = {"code": 0, "condition": 300 * MS, "bus": S}[kind]
    session = LiveSession(
        bus,
        Machine(),
        load_databases([database]),
        folder=SessionFolder(tmp_path / "session"),
        asked=asked,
        clock_s=lambda: (bus.clock_ns - START_NS) / S,
    )
    session.start()
    bus.symptom = ""
    while bus.clock_ns < START_NS + 5 * S + phase_ms * MS:
        bus.clock_ns += TICK_NS
        session.step()
    bus.symptom = kind
    period_ns = S if kind == "code" else 100 * MS
    assert symptom_shown(bus, session, showing=True) <= period_ns + known_after_ns + 150 * MS
    told = [one.text for one in session.happenings(0) if "shows" in one.text]
    assert len(told) == 1
    bus.symptom = ""
    assert symptom_shown(bus, session, showing=False) <= period_ns + (S if kind == "bus" else 0) + 150 * MS
    session.close()
