"""Writes a run to a folder: capture, journal, map, database, truth."""

import csv
import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from busdoc.actions.action import Action
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_capture
from busdoc.simulation.run import Run
from busdoc.simulation.scenario.file import load_scenario
from busdoc.simulation.scenario.scenario import simulate
from busdoc.times import SECOND_NS

__all__ = ["RunFiles", "files_of_scenario", "run_scenario_file", "truth_document", "write_journal", "write_run"]

_CAPTURE = "capture"


def run_scenario_file(path: Path, out: Path, *, seed: int | None = None, suffix: str = ".log") -> Run:
    """Live through a scenario and write everything into a folder, which is made.

    Writes ``capture<suffix>``, ``actions.csv``, ``truth.json``, and copies of the machine map and the database.

    Raises
    ------
    InputError : when the scenario, or a file that it names, cannot be used
    """
    scenario = load_scenario(path)
    run = simulate(scenario, seed)
    out.mkdir(parents=True, exist_ok=True)
    write_run(run, out, suffix)
    for name in (scenario.machine_file, scenario.database_file):
        if name is not None and (path.parent / name).resolve() != (out / Path(name).name).resolve():
            shutil.copyfile(path.parent / name, out / Path(name).name)
    return run


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFiles:
    """What a run was written to."""

    capture: Path
    actions: Path
    truth: Path
    machine: Path | None
    database: Path | None


def files_of_scenario(path: Path, out: Path, *, seed: int | None = None, suffix: str = ".log") -> RunFiles:
    """Live through a scenario as `run_scenario_file` does; give the files.

    Raises
    ------
    InputError : when the scenario, or a file that it names, cannot be used
    """
    run_scenario_file(path, out, seed=seed, suffix=suffix)
    scenario = load_scenario(path)

    def copied(name: str | None) -> Path | None:
        return None if name is None else out / Path(name).name

    return RunFiles(
        capture=out / f"{_CAPTURE}{suffix}",
        actions=out / "actions.csv",
        truth=out / "truth.json",
        machine=copied(scenario.machine_file),
        database=copied(scenario.database_file),
    )


def write_run(run: Run, folder: Path, suffix: str = ".log", *, stem: str = _CAPTURE) -> None:
    """Write the capture, the journal and the truth of a run into a folder that exists."""
    channels = ChannelTable()
    numbers = sorted({int(channel) for block in run.blocks for channel in set(block.channel.tolist())})
    for number in numbers or [0]:
        channels.number((run.channels or {}).get(number, f"can{number}"))
    write_capture(folder / f"{stem}{suffix}", run.blocks, channels)
    first_ns = next((int(block.t_ns[0]) for block in run.blocks if len(block)), run.start_ns)
    # a capture that counts from zero has no time of day: its journal counts from the first frame
    write_journal(folder / "actions.csv", run.actions, from_ns=None if run.start_ns else first_ns)
    text = json.dumps(truth_document(run), indent=1, ensure_ascii=False) + "\n"
    (folder / "truth.json").write_text(text, encoding="utf-8", newline="\n")


def write_journal(path: Path, actions: Sequence[Action], *, from_ns: int | None = None) -> None:
    """Write a journal; times are to the millisecond, as a hand-held clock gives them.

    Parameters
    ----------
    from_ns : the capture's first frame, from which they are counted; None: they are Unix times
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time", "action", "part", "into", "uncertainty_s", "note"])
        for action in actions:
            time = _seconds(action.time_ns, 3) if from_ns is None else _after(action.time_ns - from_ns)
            uncertainty = f"{action.uncertainty_ns / SECOND_NS:g}"
            writer.writerow([time, action.kind.value, action.part or "", action.into or "", uncertainty, action.note])


def truth_document(run: Run) -> dict[str, object]:
    """Give the truth as one JSON document; times are seconds as the capture has them, in text where digits matter."""
    truth = run.truth

    def maybe(t_ns: int | None) -> float | None:
        return None if t_ns is None else t_ns / SECOND_NS

    return {
        "start_s": run.start_ns / SECOND_NS,
        "until_s": run.until_ns / SECOND_NS,
        "faulty": list(truth.faulty),
        "silences": [
            {
                "controller": s.controller,
                "last_s": s.last_ns / SECOND_NS,
                "first_s": maybe(s.first_ns),
                "lost_s": s.lost_ns / SECOND_NS,
                "cause": s.cause,
                "ran_on": s.ran_on,
                "action": s.action,
            }
            for s in truth.silences
        ],
        "power_ups": [
            {"time_s": p.time_ns / SECOND_NS, "first_s": {name: maybe(t) for name, t in p.first_ns.items()}}
            for p in truth.power_ups
        ],
        "codes": [
            {
                "controller": c.controller,
                "spn": c.spn,
                "fmi": c.fmi,
                "emcy": c.emcy,
                "raised_s": run.start_ns / SECOND_NS + c.raised_s,
                "cleared_s": None if c.cleared_s is None else run.start_ns / SECOND_NS + c.cleared_s,
            }
            for c in truth.codes
        ],
    }


def _after(ns: int) -> str:
    """Write a time that is counted from the first frame, which an action may come before."""
    return f"{'-' if ns < 0 else '+'}{_seconds(abs(ns), 3)}"


def _seconds(t_ns: int, decimals: int) -> str:
    """Write nanoseconds as decimal seconds without passing through a float."""
    step = 10 ** (9 - decimals)
    whole = (t_ns + step // 2) // step
    sign = "-" if whole < 0 else ""
    digits = f"{abs(whole):0{decimals + 1}d}"
    return f"{sign}{digits[:-decimals]}.{digits[-decimals:]}"
