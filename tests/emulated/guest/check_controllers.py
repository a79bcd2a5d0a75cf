"""busdoc with real drivers of real controllers, on emulated buses: can0 and can1 on one, can2 and can3 on another.

Run before a release, in the machine that `tests/emulated/controllers.sh` starts (some ten minutes):
    python -m pytest -m controllers tests/emulated/test_controllers.py
"""

import io
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.listening import Hearing
from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import main
from busdoc.health.incident import GapKind
from busdoc.live.session import LiveSession
from busdoc.machine.machine_map import load_machine
from tests.emulated.guest.beside import recording, until
from tests.emulated.guest.traffic import Machine, frame, heartbeats, ip, let_pass, machine_beside, open_socket

MAP = Path(__file__).with_name("eight.toml")
_COMMAND, _INTERRUPTS_OFF = 4, 1 << 10
"""The command register of a PCI device, and its bit that holds back its interrupts (PCI Local Bus 3.0, 6.2.2)."""


def bring_up(name: str, *, listen_only: bool, bitrate: int = 250_000) -> None:
    ip(f"link set {name} down")
    ip(f"link set {name} type can bitrate {bitrate} listen-only {'on' if listen_only else 'off'}")
    ip(f"link set {name} up")


@pytest.fixture(autouse=True)
def _machine_end() -> None:
    bring_up("can1", listen_only=False)


def sent_by(name: str) -> int:
    return int(Path(f"/sys/class/net/{name}/statistics/tx_packets").read_text(encoding="ascii"))


@contextmanager
def not_emptied(name: str) -> Iterator[None]:
    """Hold back the interrupts of a controller: nobody empties its own buffer of 64 bytes, some five frames."""
    with Path(f"/sys/class/net/{name}/device/config").open("r+b", buffering=0) as config:

        def command(words: int | None = None) -> int:
            config.seek(_COMMAND)
            if words is None:
                return int.from_bytes(config.read(2), "little")
            return config.write(words.to_bytes(2, "little"))

        before = command()
        command(before | _INTERRUPTS_OFF)
        try:
            yield
        finally:
            command(before)


def refused(folder: Path, bus: str) -> str:
    err = io.StringIO()
    words = ["record", "--bus", bus, "-o", str(folder)]
    assert main(words, Surroundings(stdout=io.StringIO(), stderr=err, environ={})) == ExitStatus.COULD_NOT
    assert err.getvalue().count("\n") == 1
    return err.getvalue()


def test_listen_only_is_read_and_transmits_nothing(tmp_path: Path) -> None:
    bring_up("can0", listen_only=True)
    before = sent_by("can0")
    with Machine("can1", heartbeats(300.0)), recording(tmp_path / "r", "socketcan:can0") as ours:
        until(lambda: len(ours.lines) > 50)
        assert (ours.bus.listen_only, ours.bus.bitrate, ours.bus.remarks) == (True, 250_000, ())
    assert sent_by("can0") == before


def test_an_interface_that_takes_part_is_told_with_the_commands_that_help(tmp_path: Path) -> None:
    bring_up("can0", listen_only=False)
    with recording(tmp_path / "r", "socketcan:can0") as ours:
        until(lambda: bool(ours.said))
    commands = "ip link set can0 down && ip link set can0 type can bitrate 250000 listen-only on && ip link set can0 up"
    assert "it takes part in the bus" in ours.said[0]
    assert commands in ours.said[0]
    assert commands in ours.notes
    for command in commands.split(" && "):  # they work as they stand
        subprocess.run(command.split(), check=True)


def test_another_bit_rate_than_the_interfaces_is_refused(tmp_path: Path) -> None:
    bring_up("can0", listen_only=True)
    said = refused(tmp_path / "r", "socketcan:can0@500k")
    assert "expected can0 at 500 kbit/s, found it at 250 kbit/s" in said


def test_an_interface_that_is_down_is_refused_with_the_three_commands(tmp_path: Path) -> None:
    said = refused(tmp_path / "r", "socketcan:can2")
    assert "can2 is down and has no bit rate" in said
    assert "type can bitrate 250000 listen-only on" in said


def test_a_removed_controller_is_told_and_a_gap_and_found_again(tmp_path: Path) -> None:
    bring_up("can0", listen_only=True)
    device = Path("/sys/class/net/can0/device").resolve()
    with Machine("can1", heartbeats(300.0)), recording(tmp_path / "r", "socketcan:can0") as ours:
        until(lambda: len(ours.lines) > 20)
        (device / "remove").write_text("1", encoding="ascii")
        until(ours.is_(Hearing.ADAPTER_LOST))
        Path("/sys/bus/pci/rescan").write_text("1", encoding="ascii")
        until(Path("/sys/class/net/can0").exists)
        let_pass(1.0)
        assert ours.bus.hearing is Hearing.ADAPTER_LOST  # it is there, and down
        bring_up("can0", listen_only=True)
        until(ours.is_(Hearing.HEARD))
        n = len(ours.lines)
        until(lambda: len(ours.lines) > n + 20)
    assert [(gap[2], gap[3]) for gap in ours.gaps] == [("can0", "the adapter did not answer")]


def test_frames_that_a_controllers_own_buffer_lost_reach_a_session_as_a_gap() -> None:
    bring_up("can0", listen_only=True)
    session = LiveSession(LiveBuses([parse_bus("socketcan:can0")]), load_machine(MAP))
    session.start()

    def told() -> bool:
        session.step()
        return any("can0: overrun" in one.text for one in session.happenings(0))

    with open_socket("can1") as raw:
        raw.send(frame(0x180, b"\x01"))
        let_pass(1.0)
        with not_emptied("can0"):
            for k in range(30):
                raw.send(frame(0x180, k.to_bytes(8, "little")))
                let_pass(0.05)
        until(told)
        raw.send(frame(0x180, b"\x02"))
        let_pass(1.0)
        session.step()
    session.close()
    assert int(Path("/sys/class/net/can0/statistics/rx_over_errors").read_text(encoding="ascii")) > 0
    assert GapKind.CAPTURE_GAP in [one.kind for one in session.result().health.gaps]


def test_a_live_resync_with_a_real_driver() -> None:
    bring_up("can0", listen_only=True)
    out = io.StringIO()
    words = ["resync", "--bus", "socketcan:can0", "--machine", str(MAP), "--quiet", "--within", "60"]
    with machine_beside("can1", 60.0, 6.0):
        status = main(words, Surroundings(stdout=out, stderr=io.StringIO(), environ={"COLUMNS": "100"}))
    assert status == ExitStatus.HEALTHY, out.getvalue()
    assert "8 of 8" in out.getvalue()
