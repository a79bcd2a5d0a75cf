"""busdoc on the real SocketCAN stack; run in the emulated kernel by `tests/emulated/test_socketcan.py`.

On a Linux with CAN in its kernel, as administrator:
    python -m pytest --noconftest -p no:cacheprovider tests/emulated/guest/check_socketcan.py
"""

import io
import os
import random
import subprocess
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from busdoc.capture.bus import socket as bus_socket
from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import main
from busdoc.health.incident import GapKind
from busdoc.live.session import LiveSession
from busdoc.live.view import HappeningKind
from busdoc.machine.machine_map import load_machine
from busdoc.session.folder import SessionFolder
from tests.emulated.guest.beside import Line, lines_of, recording, reference, until
from tests.emulated.guest.serial_line import SerialLine
from tests.emulated.guest.traffic import Machine, bring_up, frame, ip, let_pass, machine_beside, open_socket, take_away

MAP = Path(__file__).with_name("eight.toml")
REMOTE, ERROR = 0x4000_0000, 0x2000_0000
"""Flags of an identifier (Linux header linux/can.h)."""


@pytest.fixture(autouse=True)
def _pair() -> Iterator[None]:
    bring_up()
    yield
    for name in ("can0", "can1", "vcan0"):
        take_away(name)


def typed(*words: object) -> tuple[ExitStatus, str, str]:
    out, err = io.StringIO(), io.StringIO()
    status = main([str(word) for word in words], Surroundings(stdout=out, stderr=err, environ={"COLUMNS": "100"}))
    return status, out.getvalue(), err.getvalue()


def same(ours: list[Line], theirs: list[Line]) -> None:
    """The same frames in the same order; times to the microsecond, which one rounds and the other cuts off."""
    assert [line[1:] for line in ours] == [line[1:] for line in theirs]
    assert max((abs(one[0] - other[0]) for one, other in zip(ours, theirs, strict=True)), default=0) <= 1


def test_frames_order_and_times_are_the_reference_recorders(tmp_path: Path) -> None:
    ip("link add can1 type vxcan peer name can8")
    for name in ("can1", "can8"):
        ip(f"link set {name} up")
    with reference(tmp_path / "ref.log", "can0", "can1"), recording(tmp_path / "r", "socketcan:can0", "socketcan:can1"):
        with open_socket("can9", fd=True) as one, open_socket("can8") as other:
            for k in range(300):
                one.send(frame(0x100 + k % 7, k.to_bytes(4, "little")))
                other.send(frame(0x18FF_0000 + k % 5, b"\x01", flags=0x8000_0000))
                let_pass(0.001)
            one.send(frame(0x123, b"", flags=REMOTE))
            one.send(frame(0x0C, bytes((0, 0x04, 0x04, 0x19, 0, 0, 0, 9)), flags=ERROR))
            one.send(frame(0x321, b"")[:4] + bytes((20, 0x04, 0, 0)) + bytes(range(20)).ljust(64, b"\0"))
        let_pass(0.3)
    ours, theirs = [sorted(lines_of(path), key=lambda line: line[1]) for path in sorted(tmp_path.rglob("*.log"))[::-1]]
    assert len(theirs) == 603
    same(ours, theirs)


def test_interface_down_and_up_is_told_and_a_gap(tmp_path: Path) -> None:
    with Machine("can9"), reference(tmp_path / "ref.log", "can0"), recording(tmp_path / "r", "socketcan:can0") as ours:
        until(lambda: len(ours.lines) > 20)
        ip("link set can0 down")
        until(ours.is_(Hearing.ADAPTER_LOST))
        let_pass(2.0)
        ip("link set can0 up")
        until(ours.is_(Hearing.HEARD))
        n = len(ours.lines)
        until(lambda: len(ours.lines) > n + 20)
    mine, theirs = ours.lines, lines_of(tmp_path / "ref.log")
    ((from_s, to_s, channel, why),) = ours.gaps
    assert (channel, why) == ("can0", "the adapter did not answer")
    gap_us = (round(from_s * 1e6) + 1, round(to_s * 1e6) - 1)  # the reference recorder began earlier and ended later
    heard = [line for line in theirs if mine[0][0] - 1 <= line[0] <= mine[-1][0] + 1]
    same(mine, [line for line in heard if not gap_us[0] < line[0] < gap_us[1]])
    edges_us = [(one[0], other[0]) for one, other in pairwise(mine)]  # from the last frame to the first
    assert (round(from_s * 1e6), round(to_s * 1e6)) in edges_us
    assert any("does not answer" in text for text in ours.said)
    assert "does not answer" in ours.notes
    assert "heard again: socketcan:can0" in ours.notes


def test_interface_deleted_and_made_again_is_told_and_a_gap(tmp_path: Path) -> None:
    with Machine("can9"), recording(tmp_path / "r", "socketcan:can0") as ours:
        until(lambda: len(ours.lines) > 20)
        take_away()
        until(ours.is_(Hearing.ADAPTER_LOST))
        bring_up()
        until(ours.is_(Hearing.HEARD))
        n = len(ours.lines)
        until(lambda: len(ours.lines) > n + 20)
    ((_, _, channel, why),) = ours.gaps
    assert (channel, why) == ("can0", "the adapter did not answer")


def test_an_interface_made_anew_between_two_readings_is_noticed_by_its_number(tmp_path: Path) -> None:
    source = LiveBuses([parse_bus("socketcan:can0")], threads=False)
    source.start()
    take_away()
    bring_up()
    end_s = time.monotonic() + 20
    was_lost = False
    while not (was_lost and source.buses()[0].hearing is Hearing.HEARD):
        source.turn()
        was_lost |= source.buses()[0].hearing is Hearing.ADAPTER_LOST
        assert time.monotonic() < end_s
    source.stop()


def test_a_gap_that_is_open_at_the_end_is_written_down_and_ends_with_status_1(tmp_path: Path) -> None:
    command = ["python3", "-c", "from busdoc.cli.main import run; run()", "record", "--bus", "socketcan:can0"]
    ip("link add can1 type vxcan peer name can8")
    for name in ("can1", "can8"):
        ip(f"link set {name} up")
    command += ["--bus", "socketcan:can1", "-o", str(tmp_path / "r")]
    command[0] = os.environ.get("BUSDOC_PYTHON", command[0])
    with Machine("can9"), Machine("can8"):
        process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        until(lambda: (tmp_path / "r" / "recording-0001.log").exists())
        let_pass(1.0)
        ip("link set can0 down")
        notes = tmp_path / "r" / "notes.txt"
        until(lambda: "does not answer" in notes.read_text(encoding="utf-8"))
        let_pass(1.0)
        process.terminate()
        out, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "At the end socketcan:can0 did not answer: " in out
    assert "can0 does not answer" in err
    rows = (tmp_path / "r" / "gaps.csv").read_text(encoding="utf-8").splitlines()
    reasons = [row.split(",")[2:] for row in rows[1:] if row.split(",")[1]]  # those that are whole
    assert [one for one in reasons if "later than the others" not in one[1]] == [["can0", "the adapter did not answer"]]


def test_a_reader_that_lags_keeps_the_kernels_times_and_loses_nothing(tmp_path: Path) -> None:
    source = LiveBuses([parse_bus("socketcan:can0")], threads=False)
    source.start()
    pieces: list[FrameBlock] = []
    with reference(tmp_path / "ref.log", "can0"):
        with open_socket("can9") as raw:
            for k in range(2_000):
                raw.send(frame(0x100, k.to_bytes(8, "little")))
        let_pass(1.5)
        for _ in range(40):
            source.turn()
            pieces.append(source.take().frames)
    source.stop()
    last = source.take()
    frames = FrameBlock.concat([*pieces, last.frames])
    theirs = lines_of(tmp_path / "ref.log")
    assert [frames.payload(row).hex().upper() for row in range(len(frames))] == [t[2].split("#")[1] for t in theirs]
    assert max(abs(int(ns) // 1000 - us) for ns, (us, _, _) in zip(frames.t_ns, theirs, strict=True)) <= 1
    assert last.gaps == ()


def test_what_an_overload_loses_lies_in_gaps_and_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus_socket, "_BUFFER_BYTES", 200 << 10)  # some 500 frames
    source = LiveBuses([parse_bus("socketcan:can0")], threads=False)
    source.start()
    pieces: list[FrameBlock] = []
    gaps: list[RecorderGap] = []

    def take() -> None:
        taken = source.take()
        pieces.append(taken.frames)
        gaps.extend(taken.gaps)

    with reference(tmp_path / "ref.log", "can0"), open_socket("can9") as raw:
        for k in range(4_000):
            raw.send(frame(0x100, k.to_bytes(8, "little")))
            if k % 100 == 0:
                take()  # the counter is looked at, the socket is not read
        for _ in range(40):
            source.turn()
            take()
        assert source.buses()[0].hearing is Hearing.OVERRUN
    source.stop()
    take()
    ours = FrameBlock.concat(pieces)
    heard = {ours.payload(row).hex().upper() for row in range(len(ours))}
    lost = [us for us, _, text in lines_of(tmp_path / "ref.log") if text.split("#")[1] not in heard]
    assert 1_000 < len(lost) < 4_000
    spans = [(gap.from_ns // 1000, gap.to_ns // 1000 + 1) for gap in gaps]
    assert [us for us in lost if not any(from_us <= us <= to_us for from_us, to_us in spans)] == []


def test_a_clock_that_is_set_is_told_and_moves_no_frame(tmp_path: Path) -> None:
    with reference(tmp_path / "ref.log", "can0"), recording(tmp_path / "r", "socketcan:can0") as ours:
        with open_socket("can9") as raw:
            for step_s in (0, 3600, -1800, 0):
                before = time.clock_gettime(time.CLOCK_REALTIME)
                if step_s:
                    time.clock_settime(time.CLOCK_REALTIME, before + step_s)
                for k in range(50):
                    raw.send(frame(0x100, k.to_bytes(8, "little")))
                    let_pass(0.01)
        let_pass(0.5)
    time.clock_settime(time.CLOCK_REALTIME, time.clock_gettime(time.CLOCK_REALTIME) - 1800)
    theirs, mine = lines_of(tmp_path / "ref.log"), ours.lines
    assert [line[1:] for line in mine] == [line[1:] for line in theirs]
    apart = [other[0] - one[0] for one, other in zip(mine, theirs, strict=True)]
    for first, by_s in ((0, 0), (50, 3600), (100, 1800)):
        assert max(abs(one - by_s * 1_000_000) for one in apart[first : first + 50]) < 3_000
    told = [text for text in ours.said if "clock was set" in text]
    assert len(told) == 2, told
    assert "forward by 1 h" in told[0]
    assert "back by 30 min" in told[-1]
    assert ours.notes.count(" !  socketcan:can0: the laptop's clock was set") == len(told)
    assert ours.gaps == []


def test_an_adapter_off_the_bus_is_told_and_a_gap_until_the_next_frame(tmp_path: Path) -> None:
    with recording(tmp_path / "r", "socketcan:can0") as ours, open_socket("can9") as raw:
        raw.send(frame(0x123, b"\x01"))
        raw.send(frame(0x40, bytes(8), flags=ERROR))  # Linux header can/error.h: CAN_ERR_BUSOFF
        until(ours.is_(Hearing.ADAPTER_LOST))
        assert "bus-off" in ours.bus.note
        let_pass(1.0)
        raw.send(frame(0x123, b"\x02"))
        until(ours.is_(Hearing.HEARD))
    ((from_s, to_s, channel, why),) = ours.gaps
    assert (channel, why) == ("can0", "the adapter was off the bus (bus-off)")
    assert to_s - from_s > 0.9


def test_an_overflow_of_the_adapter_reaches_a_session_and_its_verdict() -> None:
    source = LiveBuses([parse_bus("socketcan:can0")])
    session = LiveSession(source, load_machine(MAP))
    session.start()

    def told() -> bool:
        session.step()
        return any("can0: overrun" in one.text for one in session.happenings(0))

    with open_socket("can9") as raw:
        raw.send(frame(0x180, b"\x01"))
        raw.send(frame(0x04, bytes((0, 0x01, 0, 0, 0, 0, 0, 0)), flags=ERROR))  # can/error.h: CAN_ERR_CRTL_RX_OVERFLOW
        until(told)
        raw.send(frame(0x180, b"\x02"))
        let_pass(0.3)
    session.close()
    assert [one.kind for one in session.result().health.gaps] == [GapKind.CAPTURE_GAP]


def test_an_interface_that_is_down_or_not_there_is_refused_in_a_sentence(tmp_path: Path) -> None:
    ip("link set can0 down")
    status, _, err = typed("record", "--bus", "socketcan:can0", "-o", tmp_path / "a")
    assert status == ExitStatus.COULD_NOT
    assert "can0 is down; as administrator: ip link set can0 up" in err
    assert err.count("\n") == 1
    status, _, err = typed("record", "--bus", "socketcan:can7", "-o", tmp_path / "b")
    assert status == ExitStatus.COULD_NOT
    assert "can7 is not there" in err
    assert "Errno" not in err


def test_an_interface_that_is_down_is_waited_for_when_asked_to(tmp_path: Path) -> None:
    ip("link set can0 down")
    with Machine("can9"), recording(tmp_path / "r", "socketcan:can0", waits=True) as ours:
        until(ours.is_(Hearing.ADAPTER_LOST))
        ip("link set can0 up")
        until(ours.is_(Hearing.HEARD))
        until(lambda: len(ours.lines) > 20)
    assert "socketcan:can0 does not answer: can0 is down" in ours.said[0]


def test_frames_of_a_program_on_the_same_computer_are_told_of_live(tmp_path: Path) -> None:
    ip("link add vcan0 type vcan")
    ip("link set vcan0 up")
    with Machine("vcan0"), recording(tmp_path / "r", "socketcan:vcan0") as ours:
        until(lambda: any("a program on this computer" in text for text in ours.said))
        assert ours.bus.note == ""  # of a virtual interface there is nothing to say of acknowledging
    assert "a program on this computer" in ours.notes


def test_a_session_with_interface_down_accuses_nobody_live_or_later(tmp_path: Path) -> None:
    """Pulls of every kind; the number of them from the environment, before a release fifty."""
    pulls, draw = int(os.environ.get("BUSDOC_PULLS", "3")), random.Random(19)
    machine = load_machine(MAP)
    source = LiveBuses([parse_bus("socketcan:can0")])
    session = LiveSession(source, machine, folder=SessionFolder(tmp_path / "s", machine_file=MAP))
    session.start()

    def go_on(seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            session.step()
            let_pass(0.05)

    with machine_beside("can9", 600.0):
        go_on(8.0)
        for _ in range(pulls):
            away_s = draw.uniform(0.05, 5.0)
            if draw.random() < 0.5:
                take_away()
                go_on(away_s)
                bring_up()
            else:
                ip("link set can0 down")
                go_on(away_s)
                ip("link set can0 up")
            go_on(draw.uniform(2.5, 4.5))
        session.close()
    told = [(one.kind, one.text) for one in session.happenings(0)]
    wrong = {HappeningKind.LOST, HappeningKind.NAMED, HappeningKind.RESTARTED}
    assert [one for one in told if one[0] in wrong] == [], told
    assert sum("adapter lost" in text for _, text in told) == pulls
    status, out, _ = typed("postmortem", tmp_path / "s")
    assert status == ExitStatus.HEALTHY, out
    assert "Part at fault" not in out


def test_a_live_resync_over_the_real_stack(tmp_path: Path) -> None:
    with machine_beside("can9", 14.0, 3.0):
        status, out, _ = typed("resync", "--bus", "socketcan:can0", "--machine", MAP, "--quiet", "--within", "20")
    assert status == ExitStatus.HEALTHY, out
    assert "8 of 8" in out


def test_the_serial_driver_closed_and_back_is_told_and_a_gap(tmp_path: Path) -> None:
    """The kernel's own driver for serial adapters: its interface goes with the line."""
    with SerialLine() as line, line.driver("can5"), recording(tmp_path / "r", "socketcan:can5") as ours:
        line.say(20)
        until(lambda: len(ours.lines) == 20)
        line.hang_up()
        until(ours.is_(Hearing.ADAPTER_LOST))
        line.plug_in()
        with line.driver("can5"):
            until(ours.is_(Hearing.HEARD))
            line.say(20)
            until(lambda: len(ours.lines) == 40)
    first, *later = [(gap[2], gap[3]) for gap in ours.gaps]
    assert first == ("can5", "the adapter did not answer")
    assert later in ([], [first])  # the line is closed again before the recording is


def test_a_serial_adapter_pulled_and_back_is_told_and_a_gap(tmp_path: Path) -> None:
    """The text protocol, spoken by python-can over the line itself."""
    with SerialLine() as line:
        with recording(tmp_path / "r", f"slcan:{line.path}@250000") as ours:
            line.say(20)
            until(lambda: len(ours.lines) == 20)
            line.hang_up()
            until(ours.is_(Hearing.ADAPTER_LOST))
            line.plug_in()
            until(ours.is_(Hearing.HEARD))
            line.say(20)
            until(lambda: len(ours.lines) == 40)
        assert b"L\r" in line.told  # listen only, and never open to take part
        assert b"O\r" not in line.told
    assert [(gap[2], gap[3]) for gap in ours.gaps] == [("can0", "the adapter did not answer")]


def test_a_serial_line_without_the_right_to_it_is_refused_in_a_sentence(tmp_path: Path) -> None:
    with SerialLine() as line:
        os.chmod(line.path, 0o600)
        os.chmod(tmp_path, 0o777)
        os.seteuid(65534)
        try:
            status, _, err = typed("record", "--bus", f"slcan:{line.path}@250000", "-o", tmp_path / "a")
        finally:
            os.seteuid(0)
    assert status == ExitStatus.COULD_NOT
    assert "ermission" in err
    assert err.count("\n") == 1
