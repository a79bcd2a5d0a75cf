"""The baseline of each kind of machine: a map with the rhythms, start times and loads of its healthy machines."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from busdoc.analysis.baseline import baseline
from busdoc.errors import BusdocError
from busdoc.many.conclusions.findings import Findings, KindFindings
from busdoc.many.intake.addresses import brought_here
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.kept.store import FleetStore, plain_name
from busdoc.report.output import write_text
from busdoc.words.counting import counted, plural

__all__ = ["KindBaseline", "learn_baselines"]

_MOST = 24
"""Captures that one baseline is learnt from: each is read anew."""
_LEAST_MACHINES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class KindBaseline:
    """What was learnt of one kind."""

    kind: str
    path: Path | None
    """None: nothing could be learnt."""
    n_captures: int
    n_machines: int
    n_limits: int
    """Controllers with a limit for their return."""
    sentence: str = ""
    """Why nothing could be learnt."""


def learn_baselines(store: FleetStore, found: Findings) -> Iterator[KindBaseline]:
    """Learn and write a map for each kind; what `busdoc baseline` would learn from these captures, each by itself.

    Only captures in which nothing was wrong count, and only of machines that are not worse than their fellows: as even
    a share of each machine as there is. The map that they were judged with is kept and added to.
    """
    for kind in found.kinds:
        if not kind.name:
            why = f"nobody says of what kind {plural(len(kind.machines), 'this machine is', 'these machines are')}"
            name = counted(len(kind.machines), "machine")
            yield KindBaseline(kind=name, path=None, n_captures=0, n_machines=0, n_limits=0, sentence=why)
            continue
        numbers = _chosen(kind)
        machines = {number: name for name, own in numbers.items() for number in own}
        if len(numbers) < _LEAST_MACHINES:
            why = f"{counted(len(numbers), 'machine')} with a healthy capture; {_LEAST_MACHINES} are needed"
            yield KindBaseline(kind=kind.name, path=None, n_captures=0, n_machines=0, n_limits=0, sentence=why)
            continue
        try:
            yield _learnt(store, kind.name, [store.capture(number) for number in sorted(machines)], len(numbers))
        except (BusdocError, OSError) as error:
            yield KindBaseline(kind=kind.name, path=None, n_captures=0, n_machines=0, n_limits=0, sentence=str(error))


def _chosen(kind: KindFindings) -> dict[str, list[int]]:
    """Take healthy captures in turns, one of each healthy machine, until there are enough."""
    waiting = {
        machine.ranked.machine: list(machine.healthy)
        for machine in kind.machines
        if machine.healthy and not machine.ranked.worse and not any(one.worse for one in machine.controllers)
    }
    chosen: dict[str, list[int]] = {}
    n = 0
    while n < _MOST and any(waiting.values()):
        for name, numbers in waiting.items():
            if numbers and n < _MOST:
                chosen.setdefault(name, []).append(numbers.pop(0))
                n += 1
    return chosen


def _learnt(store: FleetStore, kind: str, captures: list[FleetCapture], n_machines: int) -> KindBaseline:
    first = captures[0]
    files = [file for capture in captures for file in capture.files]
    beside = [first.machine_file] if first.machine_file is not None else []
    with brought_here(files) as here, brought_here([*beside, *(file for _, file in first.databases)]) as given:
        databases = given[len(beside) :]
        learnt = baseline(
            here,
            machine_file=given[0] if beside else None,
            databases=[
                file if channel is None else (channel, file)
                for (channel, _), file in zip(first.databases, databases, strict=True)
            ],
            name=kind,
            apart=True,
        )
    path = store.folder / "baselines" / f"{plain_name(kind)}.toml"
    write_text(path, learnt.text)
    n_limits = sum(one.limit_ns is not None for one in learnt.learnt.controllers)
    return KindBaseline(kind=kind, path=path, n_captures=len(captures), n_machines=n_machines, n_limits=n_limits)
