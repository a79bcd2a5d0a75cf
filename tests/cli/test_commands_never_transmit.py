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

LISTENING = {
    "record": ["--for", "0.0005", "-o", "place"],
    "resync": ["--within", "1", "--quiet"],
    "isolate": ["--plain", "--quiet", "--session", "place"],
}
"""How each is made to end; `isolate` ends by what is typed."""

PROGRAM = """
import sys, threading, time
import can
import pytest
from can.interfaces import virtual
from busdoc.cli.main import main
from tests.capture.sending_double import count_sending

ended = threading.Event()

def talk():
    while not virtual.channels.get("listened") and not ended.wait(0.01):
        pass
    heard_s, n = time.monotonic(), 0
    while not ended.wait(0.01):
        at_s = (time.monotonic() - heard_s) % 15.0
        if not 0.7 < at_s < 3.2:  # off for two and a half seconds, again and again: no start is missed for good
            for queue in list(virtual.channels.get("listened", [])):
                queue.put(can.Message(arbitration_id=0x18FF0031, data=n.to_bytes(4, "little"), timestamp=time.time()))
            n += 1

with pytest.MonkeyPatch.context() as patch:
    sent = count_sending(patch)
    threading.Thread(target=talk, daemon=True).start()
    status = main([sys.argv[1], "--bus", "virtual:listened", *sys.argv[2:]])
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
    finished = subprocess.run(
        [sys.executable, "-c", PROGRAM, name, *LISTENING[name]],
        input="mark\nstatus\nquit\n",
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        check=False,
    )
    assert "Traceback" not in finished.stderr
    assert finished.stderr.endswith(", sent 0\n"), finished.stderr
