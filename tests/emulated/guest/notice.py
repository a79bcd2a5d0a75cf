"""How soon losing the wire is told, and its return: the figures of docs/adapters.md; run in the emulated kernel.

tests/emulated/socketcan.sh "cd $PWD && PYTHONPATH=$PWD $PWD/.venv/bin/python -m tests.emulated.guest.notice"
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from busdoc.capture.listening import Hearing
from tests.emulated.guest.beside import Ours, recording, until
from tests.emulated.guest.serial_line import SerialLine
from tests.emulated.guest.traffic import bring_up, ip, let_pass, machine_beside, take_away

TIMES = 5


def measure(what: str, ours: Ours, lose: Callable[[], None], bring: Callable[[], None]) -> None:
    lost_s, found_s = [], []
    for _ in range(TIMES):
        let_pass(0.7)
        lose()
        at_s = time.monotonic()
        until(ours.is_(Hearing.ADAPTER_LOST))
        lost_s.append(time.monotonic() - at_s)
        let_pass(0.7)
        bring()
        at_s = time.monotonic()
        until(lambda: ours.bus.hearing is not Hearing.ADAPTER_LOST)
        found_s.append(time.monotonic() - at_s)
    print(f"{what}: told within {max(lost_s):.2f} s, back within {max(found_s):.2f} s", flush=True)


def down() -> None:
    ip("link set can0 down")


def up() -> None:
    ip("link set can0 up")


def main(folder: Path) -> None:
    bring_up()
    with machine_beside("can9", 600.0):
        with recording(folder / "a", "socketcan:can0") as ours:
            measure("vxcan down and up", ours, down, up)
        with recording(folder / "b", "socketcan:can0") as ours:
            measure("vxcan gone and made again", ours, take_away, bring_up)
    with SerialLine() as line, recording(folder / "c", f"slcan:{line.path}@250000") as ours:
        line.say(5)
        measure("slcan over the line, pulled and back", ours, line.hang_up, line.plug_in)


if __name__ == "__main__":
    try:
        with tempfile.TemporaryDirectory() as name:
            main(Path(name))
    finally:
        take_away()
