"""The same traffic and presses through post-mortem, replay, and three kinds of bus: the same incidents and actions.

The buses are python-can's virtual bus, UDP multicast on the loopback interface and a serial line on a pseudo-terminal.
They carry twenty seconds of the bundled machine, a controller that falls and a power cycle, on a clock that goes on
when each frame has been read: what differs is what each path does to frames and times, not how busy a computer is.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import log_text
from busdoc.capture.frames import FrameBlock
from busdoc.capture.playback import Playback
from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases
from busdoc.live.session import LiveSession
from busdoc.machine.machine_map import load_machine
from busdoc.report.words.headline import headline
from tests.capture.real_paths import PATHS, Carrier, real_path

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
MAP, DATABASE = SWEEPER / "machine.toml", ROOT / "dbc_examples" / "street_sweeper.dbc"
FROM_NS, SECONDS = 1_772_435_675_000_000_000, 20.0
CYCLE_NS = 11_934_000_000
"""Power is cycled so long after the first frame."""
ERROR_NS = {"virtual": 2_000, "udp": 2_000, "serial": 2_000_000}
"""Of a time, at the most: a float of Unix seconds, and whole milliseconds placed by the least delay of the line."""
AFTER_NS = 200_000_000


def stretch() -> FrameBlock:
    """Cut the twenty seconds out of the bundled recording."""
    block = FrameBlock.concat(list(open_capture([SWEEPER / "capture.log.gz"]).blocks()))
    rows = np.searchsorted(block.t_ns, (FROM_NS, FROM_NS + round(SECONDS * 1e9)))
    return block.slice(int(rows[0]), int(rows[1]))


@pytest.fixture(scope="module")
def block() -> FrameBlock:
    return stretch()


def judged(block: FrameBlock, cycle_ns: int, folder: Path) -> tuple[Path, Result]:
    """Give frames as a file with the journal of the press, and what the post-mortem says."""
    capture, journal = folder / "stretch.log", folder / "actions.csv"
    channels = ChannelTable()
    channels.number("can0")
    capture.write_bytes(log_text(block, channels))
    press = f"{cycle_ns // 10**9}.{cycle_ns % 10**9:09d}"
    journal.write_text(f"time,action,part,into,uncertainty_s,note\n{press},power-cycle,,,1,\n", encoding="utf-8")
    return capture, postmortem([capture], databases=[DATABASE], machine_file=MAP, journal_file=journal)


@pytest.fixture(scope="module")
def recorded(block: FrameBlock, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    return judged(block, int(block.t_ns[0]) + CYCLE_NS, tmp_path_factory.mktemp("stretch"))


@pytest.fixture(scope="module")
def live(block: FrameBlock) -> dict[str, Result]:
    """Carry the stretch over every path, press at the same moment, and give what each session says."""
    return {kind: lived_through(kind, block) for kind in PATHS}


def lived_through(kind: str, block: FrameBlock) -> Result:
    start_ns, end_ns = int(block.t_ns[0]), int(block.t_ns[-1])
    press_ns = start_ns + CYCLE_NS
    with real_path(kind, 7) as path:
        carrier = Carrier(path, start_ns)
        clock = carrier.clock
        session = LiveSession(
            carrier.source, load_machine(MAP), load_databases([DATABASE]), clock_s=lambda: (clock.t_ns - start_ns) / 1e9
        )

        def step() -> None:
            session.step()
            if clock.t_ns >= press_ns and not session.view().actions:
                session.act(ActionKind.POWER_CYCLE, time_ns=press_ns)

        session.start()
        carrier.carry(block, step)
        carrier.pass_until(end_ns + AFTER_NS, step)
        session.close()
    return session.result()


def what(result: Result) -> list[tuple[object, ...]]:
    """Say which incidents there were, without their times: the order among those at one instant is free."""
    found = [
        (round((i.onset_ns - result.health.start_ns) / 1e9), i.kind, tuple(sorted(i.controllers)), i.ran_on, i.code)
        for i in result.incidents
    ]
    return sorted(found, key=str)


def reasons(result: Result) -> list[tuple[object, ...]]:
    return sorted(
        (
            (i.kind.value, tuple(sorted(i.controllers)), b.expected)
            for i, b in zip(result.incidents, result.because, strict=True)
        ),
        key=str,
    )


def test_the_stretch_holds_a_fall_and_a_power_cycle(recorded: tuple[Path, Result]) -> None:
    _, result = recorded
    kinds = {(i.kind.value, b.expected) for i, b in zip(result.incidents, result.because, strict=True)}
    assert kinds == {("dropout", False), ("bus-silence", True), ("code", False)}


def played(capture: Path, speed: float, actions: Sequence[Action]) -> LiveSession:
    """Give a session that has come to the end of a recording, with a journal pressed along."""
    now = [0]

    def clock_ns() -> int:
        now[0] += 50_000_000  # the ticks of a session, without their waiting
        return now[0]

    source = Playback([capture], speed, clock_ns=clock_ns)
    session = LiveSession(source, load_machine(MAP), load_databases([DATABASE]))
    session.start()
    session.play(actions)
    while not source.finished:
        session.step()
    return session


@pytest.mark.parametrize("speed", [1.0, 50.0])
def test_played_back_it_is_the_same_to_the_nanosecond(speed: float, recorded: tuple[Path, Result]) -> None:
    capture, result = recorded
    session = played(capture, speed, result.actions)
    session.close()
    again = session.result()
    assert again.incidents == result.incidents
    assert again.because == result.because
    assert again.actions == result.actions
    assert again.isolation == result.isolation


@pytest.mark.parametrize("speed", [1.0, 50.0])
def test_the_verdict_that_is_shown_is_that_of_the_post_mortem(speed: float, recorded: tuple[Path, Result]) -> None:
    """What the session judged on its way, again and again, and not what it would conclude afterwards."""
    capture, result = recorded
    session = played(capture, speed, result.actions)
    session.close()
    view = session.view()
    assert result.isolation is not None
    assert view.suspects == result.isolation.suspects
    assert view.why == result.isolation.suspects[0].why
    assert view.headline == headline(result)


def test_what_was_undone_or_corrected_leaves_no_trace_in_the_verdict(recorded: tuple[Path, Result]) -> None:
    capture, result = recorded
    session = played(capture, 50.0, result.actions)
    (cycle,) = result.actions
    session.act(ActionKind.UNPLUG, "harness-A")
    session.step()
    session.undo()
    session.retime(cycle.n, 3.0)
    session.step()
    assert session.view().suspects != ()
    assert session.view().actions[0].time_ns != cycle.time_ns
    session.retime(cycle.n, 0.0)  # it counts from the press
    session.close()
    assert session.view().actions == result.actions
    assert result.isolation is not None
    assert session.view().suspects == result.isolation.suspects


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_bus_the_same_happened(
    kind: str, block: FrameBlock, live: dict[str, Result], recorded: tuple[Path, Result]
) -> None:
    assert [count for _, count in live[kind].capture.channel_frames] == [len(block)]
    assert what(live[kind]) == what(recorded[1])
    assert reasons(live[kind]) == reasons(recorded[1])


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_bus_the_presses_are_the_same(kind: str, live: dict[str, Result], recorded: tuple[Path, Result]) -> None:
    actions = live[kind].actions
    pressed = [(a.kind, a.part, a.time_ns) for a in actions if a.origin is Origin.JOURNAL]
    assert pressed == [(a.kind, a.part, a.time_ns) for a in recorded[1].actions]
    assert len(pressed) == 1
    unasked = {a.kind for a in actions if a.origin is not Origin.JOURNAL}  # where the traffic was ahead of the press
    assert unasked <= {ActionKind.POWER_OFF, ActionKind.POWER_ON}


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_bus_times_are_the_same_within_its_own_error(
    kind: str, live: dict[str, Result], recorded: tuple[Path, Result]
) -> None:
    def falls(one: Result) -> dict[tuple[str, int], int]:
        found: dict[tuple[str, int], int] = {}
        for incident in one.incidents:
            for loss in incident.losses:
                nth = sum(name == loss.controller for name, _ in found)
                found[loss.controller, nth] = loss.last_seen_ns
        return found

    seen, meant = falls(live[kind]), falls(recorded[1])
    assert seen.keys() == meant.keys()
    assert max(abs(seen[key] - meant[key]) for key in meant) <= ERROR_NS[kind]
