"""Every command that listens to a bus, run on one with traffic: nothing is ever sent."""

import io
import os
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from busdoc.cli.main import build_parser

ROOT = Path(__file__).parents[2]
MAP = """\
controller = [{ name = "hopper", address = 0x31, expects = [{ frame = "0x18FF0031", period_s = 0.05 }] }]
"""
LISTENING = {
    "record": ["--for", "0.0005", "-o", "place"],
    "resync": ["--machine", "machine.toml", "--quiet"],
    "isolate": ["--plain", "--quiet", "--session", "place"],
}
"""How each is made to end; `isolate` ends by what is typed, `resync` by Ctrl-C once the controller is home."""

PROGRAM = """
import _thread, io, sys, threading, time
import can
import pytest
from can.interfaces import virtual
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main
from tests.capture.sending_double import count_sending

switched_on, ended = threading.Event(), threading.Event()
if sys.argv[1] != "resync":
    switched_on.set()

class Shown(io.StringIO):
    def write(self, text):
        if "switch it on" in text:
            switched_on.set()
        if " steady " in text:
            _thread.interrupt_main()
        return super().write(text)

def talk():
    n = 0
    switched_on.wait()
    while not ended.wait(0.05):
        for queue in list(virtual.channels.get("listened", [])):
            queue.put(can.Message(arbitration_id=0x18FF0031, data=n.to_bytes(4, "little"), timestamp=time.time()))
        n += 1

with pytest.MonkeyPatch.context() as patch:
    sent = count_sending(patch)
    threading.Thread(target=talk, daemon=True).start()
    status = main([sys.argv[1], "--bus", "virtual:listened", *sys.argv[2:]], Surroundings(stdout=Shown()))
    ended.set()
    print(f"status {int(status)}, sent {sent.n}", file=sys.stderr)
"""


def commands_with_a_bus() -> list[str]:
    found = []
    for name in LISTENING | {"postmortem": [], "baseline": [], "simulate": [], "demo": []}:
        with redirect_stdout(io.StringIO()) as shown, pytest.raises(SystemExit):
            build_parser().parse_args([name, "--help"])
        if "--bus " in shown.getvalue():
            found.append(name)
    return found


def test_these_are_the_commands_that_listen() -> None:
    assert commands_with_a_bus() == list(LISTENING)


@pytest.mark.parametrize("name", LISTENING)
def test_nothing_is_sent_by(name: str, tmp_path: Path) -> None:
    (tmp_path / "machine.toml").write_text(MAP, encoding="utf-8")
    finished = subprocess.run(
        [sys.executable, "-c", PROGRAM, name, *LISTENING[name]],
        input="mark\nstatus\nquit\n",
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,  # against hanging alone: three seconds do
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        check=False,
    )
    assert "Traceback" not in finished.stderr
    assert finished.stderr.endswith(("status 0, sent 0\n", "status 1, sent 0\n")), finished.stderr
