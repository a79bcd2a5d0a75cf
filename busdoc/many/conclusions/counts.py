"""What was counted, gathered from the store one line at a time: numbers by machine, controller, part and capture."""

from array import array
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import groupby

from busdoc.many.kept.store import Listed
from busdoc.many.kept.tables import usual_kind

__all__ = ["KindCounts", "MachineCounts", "Problem", "gather"]

_MOST_HEALTHY = 12
"""Healthy captures that are named of each machine."""
_MOST_PROBLEMS = 200
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A capture that counts for nothing, and why."""

    machine: str
    address: str
    sentence: str


@dataclass(slots=True, kw_only=True)
class MachineCounts:
    """One machine; of its captures, columns of numbers."""

    name: str
    hours: "array[float]" = field(default_factory=lambda: array("d"))
    """(captures,) watched."""
    n: "array[int]" = field(default_factory=lambda: array("q"))
    """(captures,) dropouts."""
    start_h: "array[float]" = field(default_factory=lambda: array("d"))
    """(captures,) Unix time in hours; NaN without a date."""
    length_h: "array[float]" = field(default_factory=lambda: array("d"))
    meter_h: "array[float]" = field(default_factory=lambda: array("d"))
    """(captures,) of the hour meter; NaN: nobody said."""
    event_of: "array[int]" = field(default_factory=lambda: array("q"))
    """(dropouts,) which capture."""
    event_at_h: "array[float]" = field(default_factory=lambda: array("d"))
    """(dropouts,) since its capture began."""
    controllers: dict[str, list[float]] = field(default_factory=dict)
    """Name -> [dropouts, hours]."""
    parts: dict[str, list[float]] = field(default_factory=dict)
    """Name -> [dropouts, hours]."""
    fell: Counter[tuple[str, ...]] = field(default_factory=Counter)
    """Who fell at once, one alone included -> how often."""
    columns: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    changed: str = ""
    n_could_not: int = 0
    n_trouble: int = 0
    healthy: list[int] = field(default_factory=list)
    """Lines of captures in which nothing was wrong, the first few, for a baseline."""


@dataclass(slots=True, kw_only=True)
class KindCounts:
    """All machines of a kind."""

    name: str
    """Empty: nobody says of what kind these machines are, so they are no fellows of one another."""
    machines: dict[str, MachineCounts] = field(default_factory=dict)
    part_kinds: dict[str, str] = field(default_factory=dict)
    """Part -> its kind."""
    tellable: set[str] = field(default_factory=set)
    """Parts that dropouts can speak of, or did."""
    hangs_on: dict[str, Counter[tuple[str, str]]] = field(default_factory=lambda: defaultdict(Counter))
    """Controller -> (feed, segment) -> on how many captures' maps."""


def gather(lines: Iterable[Listed]) -> tuple[dict[str, KindCounts], list[Problem]]:
    """Count all lines: what came of them by kind and machine, and those that count for nothing, the first few hundred.

    A line with the content of an earlier one counts once; one whose map or journal is another machine's, not at all.

    Parameters
    ----------
    lines : by machine: those of one machine follow one another
    """
    kinds: dict[str, KindCounts] = {}
    problems: list[Problem] = []
    for name, of_machine in groupby(lines, key=lambda line: line.capture.machine):
        own = list(of_machine)
        usual = usual_kind(own)
        for line in own:
            kind_name = line.capture.kind or usual
            kind = kinds.setdefault(kind_name, KindCounts(name=kind_name))
            machine = kind.machines.setdefault(name, MachineCounts(name=name))
            why = _why_not(line)
            if why is None:
                _add(kind, machine, line)
                continue
            machine.n_could_not += bool(line.outcome) and line.same_as is None
            if why and len(problems) < _MOST_PROBLEMS:
                problems.append(Problem(machine=name, address=line.capture.address, sentence=why))
    return kinds, problems


def _why_not(line: Listed) -> str | None:
    """Say why a line counts for nothing; None: it counts; empty: it was not come to yet."""
    if line.body is None:
        return line.sentence if line.outcome is not None else ""
    if line.same_as is not None:
        return f"It is the same as number {line.same_as} of the list, and counts once."
    if line.body["capture"]["doubted"]:
        return f"It counts for nothing: {next(iter(line.body['capture']['warnings']), 'map or clock')}."
    return None


def _add(kind: KindCounts, machine: MachineCounts, line: Listed) -> None:
    assert line.body is not None
    told, nan = line.body["capture"], float("nan")
    number = len(machine.hours)
    machine.hours.append(told["watched_h"])
    machine.n.append(told["dropouts"])
    machine.start_h.append(told["start_s"] / _HOUR_S if told["unix_clock"] else nan)
    machine.length_h.append(told["duration_s"] / _HOUR_S)
    machine.meter_h.append(nan if line.capture.hours is None else line.capture.hours)
    machine.changed = machine.changed or line.capture.changed
    machine.n_trouble += told["trouble"]
    for row in line.body["dropouts"]:
        machine.event_of.append(number)
        machine.event_at_h.append(row["at_h"])
        if row["controllers"]:
            machine.fell[tuple(sorted(row["controllers"]))] += 1
    for row in line.body["controllers"]:
        if row["watched_h"] > 0.0:
            _sum(machine.controllers, row["controller"], row)
        if row["feed"] or row["segment"]:
            kind.hangs_on[row["controller"]][row["feed"] or "", row["segment"] or ""] += 1
    for row in line.body["parts"]:
        _sum(machine.parts, row["part"], row)
        kind.part_kinds.setdefault(row["part"], row["kind"])
        if row["tellable"] or row["dropouts"]:
            kind.tellable.add(row["part"])
    for column, value in line.capture.covariates:
        machine.columns[column][value] += 1
    if told["state"] == "healthy" and len(machine.healthy) < _MOST_HEALTHY:
        machine.healthy.append(line.number)


def _sum(into: dict[str, list[float]], name: str, row: dict[str, float]) -> None:
    so_far = into.setdefault(name, [0.0, 0.0])
    so_far[0] += row["dropouts"]
    so_far[1] += row["watched_h"]
