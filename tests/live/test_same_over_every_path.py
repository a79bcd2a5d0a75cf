"""The same traffic and presses through post-mortem, replay, and three kinds of bus: the same incidents and actions.

The buses are python-can's virtual bus, UDP multicast on the loopback interface and a serial line on a pseudo-terminal.
They carry twenty seconds of the bundled machine at their own pace: a controller that falls, and a power cycle. The
first and the last hand stamps on; UDP multicast is stamped on arrival, and so held against the moments at which its
frames were really sent, which on a busy computer are not those that were meant.
"""

import os
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import can
import numpy as np
import pytest

from busdoc.actions.action import ActionKind
from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import log_text
from busdoc.capture.frames import FrameBlock
from busdoc.capture.playback import Playback
from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases
from busdoc.live.session import LiveSession
from busdoc.machine.machine_map import load_machine
from tests.capture.live_doubles import multicast_group
from tests.capture.sent_frames import message, serial_frame

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
MAP, DATABASE = SWEEPER / "machine.toml", ROOT / "dbc_examples" / "street_sweeper.dbc"
FROM_NS, SECONDS = 1_772_435_675_000_000_000, 20.0
CYCLE_NS = 11_934_000_000
"""Power is cycled so long after the first frame."""
PATHS = ["virtual", "udp", "serial"] if sys.platform != "win32" else ["virtual", "udp"]
USUAL_NS = {"virtual": 2_000, "udp": 2_000_000, "serial": 20_000_000}
"""A float of Unix seconds; the kernel's stamp of arrival; whole milliseconds, placed by the least delay of the line."""
BUSY_NS = 150_000_000
"""What a busy computer may add now and then."""


@dataclass(kw_only=True)
class LivePath:
    """One bus: what listens to it, how a frame is put on it, and when the first was meant to be sent."""

    session: LiveSession
    send: Callable[[int, float], None]
    close: Callable[[], None]
    start_ns: int = 0
    sent_ns: list[int] = field(default_factory=list)
    """When each frame was handed to the bus."""
    result: Result | None = field(default=None)


def stretch() -> FrameBlock:
    """Cut the twenty seconds out of the bundled recording."""
    block = FrameBlock.concat(list(open_capture([SWEEPER / "capture.log.gz"]).blocks()))
    rows = np.searchsorted(block.t_ns, (FROM_NS, FROM_NS + round(SECONDS * 1e9)))
    return block.slice(int(rows[0]), int(rows[1]))


def session_on(address: str) -> LiveSession:
    return LiveSession(LiveBuses([parse_bus(address)]), load_machine(MAP), load_databases([DATABASE]))


def opened(kind: str, block: FrameBlock) -> LivePath:
    if kind == "virtual":
        bus = can.Bus(interface="virtual", channel="same-session", preserve_timestamps=True)
        return LivePath(
            session=session_on("virtual:same-session"),
            send=lambda row, stamp_s: bus.send(message(block, row, stamp_s)),
            close=bus.shutdown,
        )
    if kind == "udp":
        group = can.Bus(interface="udp_multicast", channel=multicast_group(7))
        return LivePath(
            session=session_on(f"udp_multicast:{multicast_group(7)}@250000"),
            send=lambda row, stamp_s: group.send(message(block, row, stamp_s)),
            close=group.shutdown,
        )
    import pty  # only where there is one
    import tty

    near, far = pty.openpty()
    tty.setraw(near)
    tty.setraw(far)
    began_s = time.time() - 4.0  # the device counts from its own start, in milliseconds

    def close() -> None:
        os.close(near)
        os.close(far)

    return LivePath(
        session=session_on(f"serial:{os.ttyname(far)}"),
        send=lambda row, stamp_s: void(os.write(near, serial_frame(message(block, row, stamp_s - began_s)))),
        close=close,
    )


def void(_: object) -> None:
    return None


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
def live(block: FrameBlock) -> dict[str, LivePath]:
    """Carry the stretch over every path at once, at its own pace, and press at the same moment."""
    paths = {kind: opened(kind, block) for kind in PATHS}
    for path in paths.values():
        path.session.start()
    after_s = ((block.t_ns - block.t_ns[0]) / 1e9).tolist()
    start_s = time.time() + 0.1
    done, pace = threading.Event(), threading.Event()

    def send_all() -> None:
        for row, row_s in enumerate(after_s):
            pace.wait(max(0.0, start_s + row_s - time.time()))
            for path in paths.values():
                path.sent_ns.append(time.time_ns())
                path.send(row, start_s + row_s)
        done.set()

    sender = threading.Thread(target=send_all)
    sender.start()
    pressed = False
    while not done.is_set():
        pace.wait(0.04)
        for path in paths.values():
            path.session.step()
        if not pressed and time.time() >= start_s + CYCLE_NS / 1e9:
            pressed = True
            for path in paths.values():
                path.session.act(ActionKind.POWER_CYCLE, time_ns=round(start_s * 1e9) + CYCLE_NS)
    sender.join()
    pace.wait(0.2)
    for path in paths.values():
        path.session.close()
        path.close()
        path.start_ns = round(start_s * 1e9)
        path.result = path.session.result()
    return paths


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


@pytest.fixture(scope="module")
def true(
    block: FrameBlock,
    live: dict[str, LivePath],
    recorded: tuple[Path, Result],
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, Result]:
    """Give, for each path, what the post-mortem says of the frames as they were stamped on it."""
    sent = replace(block, t_ns=np.array(live["udp"].sent_ns, np.int64))
    start_ns = live["udp"].start_ns
    as_sent = judged(sent, start_ns + CYCLE_NS, tmp_path_factory.mktemp("sent"))[1]
    return {kind: as_sent if kind == "udp" else recorded[1] for kind in live}


def test_the_stretch_holds_a_fall_and_a_power_cycle(recorded: tuple[Path, Result]) -> None:
    _, result = recorded
    kinds = {(i.kind.value, b.expected) for i, b in zip(result.incidents, result.because, strict=True)}
    assert kinds == {("dropout", False), ("bus-silence", True), ("code", False)}


@pytest.mark.parametrize("speed", [1.0, 50.0])
def test_played_back_it_is_the_same_to_the_nanosecond(speed: float, recorded: tuple[Path, Result]) -> None:
    capture, result = recorded
    now = [0]

    def clock_ns() -> int:
        now[0] += 50_000_000  # the ticks of a session, without their waiting
        return now[0]

    source = Playback([capture], speed, clock_ns=clock_ns)
    session = LiveSession(source, load_machine(MAP), load_databases([DATABASE]))
    session.start()
    session.play(result.actions)
    while not source.finished:
        session.step()
    session.close()
    again = session.result()
    assert again.incidents == result.incidents
    assert again.because == result.because
    assert again.actions == result.actions


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_bus_the_same_happened(kind: str, live: dict[str, LivePath], true: dict[str, Result]) -> None:
    result = live[kind].result
    assert result is not None
    assert [count for _, count in result.capture.channel_frames] == [len(live[kind].sent_ns)]
    assert what(result) == what(true[kind])
    assert reasons(result) == reasons(true[kind])


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_bus_the_presses_are_the_same(kind: str, live: dict[str, LivePath], true: dict[str, Result]) -> None:
    result = live[kind].result
    assert result is not None
    start_ns = live[kind].start_ns
    meant = [(1, ActionKind.POWER_CYCLE, None, CYCLE_NS)]
    assert [(a.n, a.kind, a.part, a.time_ns - start_ns) for a in result.actions] == meant
    assert [(a.n, a.kind, a.part) for a in true[kind].actions] == [one[:3] for one in meant]


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_bus_times_are_the_same_within_its_own_error(
    kind: str, live: dict[str, LivePath], true: dict[str, Result]
) -> None:
    result = live[kind].result
    assert result is not None

    def falls(one: Result) -> dict[tuple[str, int], int]:
        found: dict[tuple[str, int], int] = {}
        for incident in one.incidents:
            for loss in incident.losses:
                nth = sum(name == loss.controller for name, _ in found)
                found[loss.controller, nth] = loss.last_seen_ns
        return found

    shift_ns = 0 if kind == "udp" else live[kind].start_ns - true[kind].health.start_ns
    seen, meant = falls(result), falls(true[kind])
    assert seen.keys() == meant.keys()
    apart = sorted(abs(seen[key] - shift_ns - meant[key]) for key in meant)
    assert apart[len(apart) // 2] <= USUAL_NS[kind]
    assert apart[-1] <= BUSY_NS
