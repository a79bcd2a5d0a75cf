"""What the largest map and a long journal cost: 2,000 parts, 5,000 lines, read, judged and told.

Run ``python -m benchmarks.isolation_size [parts] [lines] [dropouts]`` from the project's root. Who asks is to wait for
less than five seconds on an idle processor; the map's own bound is 2,000 parts (`docs/machine-map.md`). The processor's
time is also given as a ratio to that of a fixed sum of arrays in the same run, which another machine can be held to.
"""

import hashlib
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from busdoc.actions.journal import load_journal
from busdoc.analysis.case import CaptureFacts, Case
from busdoc.analysis.judgement import Observed
from busdoc.analysis.postmortem import judge_case
from busdoc.analysis.result import Result
from busdoc.capture.channels import ChannelTable
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine_map import load_machine
from busdoc.report.terminal.terminal import render

__all__ = ["write_case"]

_NS = 1_000_000_000
_START_NS = 1_772_438_400 * _NS
_EVERY_S = 8.0
_CONTROLLERS, _FEEDS, _SEGMENTS = 40, 8, 8


def write_case(folder: Path, n_parts: int, n_lines: int, n_drops: int) -> tuple[Path, Path, tuple[Incident, ...]]:
    """Write a map and a journal; give the dropouts of the first controller, each as its first branch is plugged in.

    All other branches are plugged in quiet.
    """
    rng = np.random.default_rng(7)
    rows = ["[machine]", 'name = "Straddle carrier"']
    rows += _part("battery", "feed")
    rows += [row for k in range(_FEEDS) for row in _part(f"fuse-{k}", "feed", "battery")]
    rows += [row for k in range(_SEGMENTS) for row in _part(f"trunk-{k}", "segment", f"trunk-{k - 1}" if k else None)]
    for k in range(_CONTROLLERS):
        rows += ["[[controller]]", f'name = "unit-{k}"', f'into = "fuse-{k % _FEEDS}"']
        rows += [f'on = "trunk-{k % _SEGMENTS}"', f"address = {k + 1}"]
    branches: list[tuple[str, str]] = []
    left = n_parts - _CONTROLLERS - _FEEDS - _SEGMENTS - 1
    for k in range(left):
        owner = f"unit-{k % _CONTROLLERS}"
        if k // _CONTROLLERS % 2 == 0:
            branches.append((f"harness-{k}", f"{owner}:{k}"))
            rows += _part(f"harness-{k}", "harness", f"{owner}:{k}")
        else:
            rows += _part(f"sensor-{k}", "sensor", f"harness-{k - _CONTROLLERS}:end")
    machine, journal = folder / "machine.toml", folder / "actions.csv"
    machine.write_text("\n".join(rows) + "\n", encoding="utf-8", newline="\n")
    lines = ["time,action,part,into,uncertainty_s,note"]
    falls_s: list[float] = []
    every = max(n_lines // 2 // n_drops, 1)
    for k in range(n_lines // 2):
        at_s = _EVERY_S * (2 * k + 1)
        name = branches[int(rng.integers(1, len(branches)))][0]
        if k % every == every - 1 and len(falls_s) < n_drops:
            name = branches[0][0]
            falls_s.append(at_s + _EVERY_S + 1.0)
        lines += [f"+{at_s:.3f},unplug,{name},,1.0,", f"+{at_s + _EVERY_S:.3f},plug,{name},,1.0,"]
    journal.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    return machine, journal, tuple(_dropout(one) for one in falls_s)


def _part(name: str, kind: str, into: str | None = None) -> list[str]:
    rows = ["[[part]]", f'name = "{name}"', f'kind = "{kind}"']
    return rows if into is None else [*rows, f'into = "{into}"']


def _dropout(at_s: float) -> Incident:
    last_ns = _START_NS + round(at_s * _NS)
    return Incident(
        kind=IncidentKind.DROPOUT,
        channel=0,
        controllers=("unit-0",),
        last_seen_ns=last_ns,
        onset_ns=last_ns + _NS // 10,
        back_ns=last_ns + 3 * _NS,
        steady_ns=last_ns + 3 * _NS,
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
    )


def _heard(name: str, incidents: tuple[Incident, ...], until_s: float) -> ControllerHealth:
    own = [one for one in incidents if name in one.controllers]
    until_ns, lost_ns = _START_NS + round(until_s * _NS), 3 * _NS * len(own)
    return ControllerHealth(
        name=name,
        channel=0,
        identity=Identity(),
        frames=1,
        streams=(),
        state=ControllerState.STEADY,
        present_ns=until_ns - _START_NS - lost_ns,
        lost_ns=lost_ns,
        dropouts=len(own),
        restarts=0,
        absences=tuple((one.last_seen_ns, one.last_seen_ns + 3 * _NS) for one in own),
        first_ns=_START_NS,
        last_ns=until_ns,
    )


def main(n_parts: int = 2000, n_lines: int = 5000, n_drops: int = 20) -> None:
    """Print the processor's time of each step."""
    with tempfile.TemporaryDirectory() as folder:
        map_file, journal_file, incidents = write_case(Path(folder), n_parts, n_lines, n_drops)
        table = np.random.default_rng(1).random((400, 400))
        begun_s = time.process_time()
        for _ in range(40):
            table = np.sort(table, axis=None).reshape(400, 400) % 0.7
        sum_s = time.process_time() - begun_s
        begun_s = time.process_time()
        machine = load_machine(map_file)
        map_s = time.process_time() - begun_s
        begun_s = time.process_time()
        journal = load_journal(journal_file, machine, start_ns=_START_NS, epoch=False)
        journal_s = time.process_time() - begun_s
        health = Health(
            start_ns=_START_NS,
            until_ns=_START_NS + round((n_lines + 10) * _EVERY_S * _NS),
            frames=1,
            error_frames=0,
            controllers=tuple(_heard(name, incidents, (n_lines + 10) * _EVERY_S) for name in machine.controllers),
            incidents=incidents,
            gaps=(),
        )
        begun_s = time.process_time()
        case = Case(machine=machine, channels=ChannelTable(), facts=CaptureFacts(channel_names=((0, "can0"),)))
        result = judge_case(case, Observed(health=health, codes=(), warnings=()), journal.actions)
        judged_s = time.process_time() - begun_s
        begun_s = time.process_time()
        text = render(result, width=100)
        told_s = time.process_time() - begun_s
    whole_s = map_s + journal_s + judged_s + told_s
    print(f"{n_parts} parts, {n_lines} lines, {len(incidents)} dropouts")
    print(
        f"map {map_s:.2f} s, journal {journal_s:.2f} s, verdict {judged_s:.2f} s, text {told_s:.2f} s: "
        f"{whole_s:.2f} s, {whole_s / sum_s:.1f} times the fixed sum"
    )
    print(f"text {hashlib.sha256(text.encode()).hexdigest()[:12]}, {len(text.splitlines())} lines; {_first(result)}")


def _first(result: Result) -> str:
    suspects = () if result.isolation is None else result.isolation.suspects
    return ", ".join(f"{one.part} {one.probability:.12f}" for one in suspects[:3])


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:4]))
