"""How soon a symptom stands on the screen, and how soon it is gone from there: a code, a condition, error frames.

    python -m benchmarks.live.symptom [--phases 20]

A made-up bus whose clock goes on by hand, in steps of the screen's own 50 ms, with a symptom that begins and ends at
many places between two looks. Printed is the longest time, and what it may be: what the symptom itself needs to be
known (a broadcast's second, a condition's hold, the second in which error frames are counted), and 150 ms.
"""

import argparse
import tempfile
from pathlib import Path

from busdoc.decode.database.database import load_databases
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder
from tests.truth.scripted_bus import START_NS, ScriptedBus

_MS, _S = 10**6, 10**9
_TICK_NS = 50 * _MS
_AT_MOST_MS = 150
_LEVEL = (
    'VERSION ""\nBU_: hopper\n'
    f'BO_ {0x80000000 | 0x18FF0031} Level: 8 hopper\n SG_ Level : 0|8@1+ (1,0) [0|250] "%" hopper\n'
)
_KINDS = {
    "code": (None, _S, 0, 0),
    "condition": ("Level.Level > 90 for 0.3 s", 100 * _MS, 300 * _MS, 0),
    "bus": ("bus:errors > 3", 100 * _MS, _S, _S),
}
"""(what is asked for, its period, until it can be known, until it can be known to be over), ns."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--phases", type=int, default=20)
    phases: int = parser.parse_args().phases
    print(f"{'symptom':12} {'shows after, ms':>16} {'at most':>8} {'gone after, ms':>16} {'at most':>8}")
    for kind, (asked, period_ns, on_ns, off_ns) in _KINDS.items():
        waits = [_waits(kind, asked, 5 * _S + k * _TICK_NS * 3 // phases) for k in range(phases)]
        told = [
            (max(wait[k] for wait in waits) // _MS, (period_ns + needs_ns) // _MS + _AT_MOST_MS)
            for k, needs_ns in enumerate((on_ns, off_ns))
        ]
        (shows, shows_by), (gone, gone_by) = told
        late = "  TOO LATE" if shows > shows_by or gone > gone_by else ""
        print(f"{kind:12} {shows:16} {shows_by:8} {gone:16} {gone_by:8}{late}")


def _waits(kind: str, asked: str | None, from_ns: int) -> tuple[int, int]:
    """Give how long it took until it stood in the view, and until it did not any more, ns."""
    bus = ScriptedBus()
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder) / "level.dbc"
        database.write_text(_LEVEL, encoding="utf-8", newline="\n")
        session = LiveSession(
            bus,
            Machine(),
            load_databases([database]),
            folder=SessionFolder(Path(folder) / "session"),
            asked=asked,
            clock_s=lambda: (bus.clock_ns - START_NS) / _S,
        )
        session.start()
        bus.symptom = ""
        while bus.clock_ns < START_NS + from_ns:
            bus.clock_ns += _TICK_NS
            session.step()
        found = []
        for symptom, showing in ((kind, True), ("", False)):
            bus.symptom, began_ns = symptom, bus.clock_ns
            while (row := session.view().complaint) is None or row.showing is not showing:
                bus.clock_ns += _TICK_NS
                session.step()
            found.append(bus.clock_ns - began_ns)
        session.close()
    return found[0], found[1]


if __name__ == "__main__":
    main()
