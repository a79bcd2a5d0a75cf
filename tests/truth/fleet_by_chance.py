"""Fleets by chance, with truth: machines of two kinds, bad ones, a weak part, wear, and a change that helps.

At the level of counts (`counts_of`), cheap enough for hundreds of fleets; and as captures (`write_fleet`) with a
manifest, through the whole program. The laws are not those that the statistics assume where that matters: machines
differ by a lognormal law, and dropouts may come in bunches.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.truth.fleet_captures import KINDS, Drop, Kind, map_text, write_capture

__all__ = ["FleetPlan", "TrueCapture", "TrueFleet", "draw_fleet", "write_fleet"]

_DAY_S = 86_400.0
_REST_S = 15.0
"""Between two dropouts of a capture, at least."""
CHANGED = "2026-12-06"
"""180 days after the fleet's time begins (2026-06-09)."""
_CHANGED_DAY = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetPlan:
    """What a fleet is like. Without arguments: a null fleet, in which all machines are alike and nothing changes."""

    machines: int = 40
    captures: int = 25
    """Of each machine."""
    length_s: float = 90.0
    per_hour: float = 2.0
    """Dropouts of a machine, all its controllers together."""
    spread: float = 0.0
    """Standard deviation of the logarithm of the machines' rates."""
    bad: int = 0
    """Machines that drop `times` as often, by one part of theirs."""
    times: float = 6.0
    weak: float = 1.0
    """How many times as often the second feed of the first kind fails, on every machine."""
    growth: float = 1.0
    """Of the power law by which dropouts come with age."""
    helps: float = 1.0
    """After over before the change, on the machines that were changed: every second one of a kind."""
    bunch: float = 1.0
    """Mean number of dropouts in a bunch, within one capture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCapture:
    """One capture to be."""

    machine: str
    kind: Kind
    number: int
    day: float
    hours: float
    """Of the meter, at its start."""
    drops: tuple[Drop, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueFleet:
    """The fleet, and what is true of it."""

    plan: FleetPlan
    captures: tuple[TrueCapture, ...]
    rate: dict[str, float]
    """Machine -> its true dropouts an hour, over its captures."""
    bad: dict[str, str]
    """Bad machine -> its part."""
    weak: str | None
    changed: frozenset[str]
    columns: dict[str, tuple[str, str]]
    """Machine -> (model year, software)."""


def draw_fleet(plan: FleetPlan, seed: int) -> TrueFleet:
    """Draw a fleet and all its dropouts."""
    rng = np.random.default_rng([seed, 2023])
    names = [f"{'SW' if k % 2 == 0 else 'SC'}-{k // 2 + 1:02d}" for k in range(plan.machines)]
    kinds = {name: KINDS[k % 2] for k, name in enumerate(names)}
    worst = rng.permutation(plan.machines)[: plan.bad]
    bad = {}
    for k in worst.tolist():
        feeds = sorted({feed for _, feed, _ in kinds[names[k]].controllers.values()})
        bad[names[k]] = str(rng.choice(feeds))
    captures: list[TrueCapture] = []
    rate: dict[str, float] = {}
    changed = frozenset(name for k, name in enumerate(names) if plan.helps != 1.0 and k // 2 % 2 == 0)
    for name in names:
        own = plan.per_hour * float(np.exp(rng.normal(0.0, plan.spread) - plan.spread**2 / 2.0))
        found, mean = _captures_of(rng, plan, name, kinds[name], own, bad.get(name), name in changed)
        captures += found
        rate[name] = mean
    columns = {name: (str(2018 + int(rng.integers(4))), str(rng.choice(("4.1", "4.2")))) for name in names}
    weak = "fuse-2" if plan.weak != 1.0 else None
    return TrueFleet(
        plan=plan, captures=tuple(captures), rate=rate, bad=bad, weak=weak, changed=changed, columns=columns
    )


def _captures_of(
    rng: np.random.Generator, plan: FleetPlan, name: str, kind: Kind, own: float, bad: str | None, changed: bool
) -> tuple[list[TrueCapture], float]:
    length_h = plan.length_s / 3600.0
    born_h = float(rng.uniform(50.0, 3000.0))
    a_day = float(rng.uniform(4.0, 10.0))
    found, total = [], 0.0
    for number in range(plan.captures):
        day = 360.0 * (number + float(rng.uniform(0.1, 0.9))) / plan.captures
        if abs(day - _CHANGED_DAY) < 1.5:
            day += 3.0
        age_h = born_h + a_day * day
        factor = plan.growth * (age_h / 2500.0) ** (plan.growth - 1.0)
        if changed and day > _CHANGED_DAY:
            factor *= plan.helps
        places = _places(kind, plan, bad)
        mean = own * factor * length_h * sum(weight for _, weight in places)
        total += mean
        drops: list[Drop] = []
        for _ in range(int(rng.poisson(mean / plan.bunch))):
            weights = np.array([weight for _, weight in places])
            part = places[int(rng.choice(len(places), p=weights / weights.sum()))][0]
            n = 1 + int(rng.poisson(plan.bunch - 1.0))
            for _ in range(n):
                at_s = float(rng.uniform(8.0, plan.length_s - 8.0))
                if all(abs(at_s - drop.at_s) > _REST_S for drop in drops):
                    fell = kind.below(part)
                    drops.append(Drop(at_s=at_s, controllers=fell, holds_s=float(rng.uniform(2.5, 5.0))))
        found.append(
            TrueCapture(
                machine=name,
                kind=kind,
                number=number,
                day=day,
                hours=age_h,
                drops=tuple(sorted(drops, key=lambda drop: drop.at_s)),
            )
        )
    return found, total / (plan.captures * length_h)


def _places(kind: Kind, plan: FleetPlan, bad: str | None) -> list[tuple[str, float]]:
    """Give what may fail and how often, as shares: half by feeds, half by controllers alone, when all is well."""
    feeds = sorted({feed for _, feed, _ in kind.controllers.values()})
    weights = {feed: 0.5 / len(feeds) for feed in feeds}
    weights |= {name: 0.5 / len(kind.controllers) for name in kind.controllers}
    if kind is KINDS[0]:
        weights["fuse-2"] *= plan.weak
    if bad is not None:
        weights[bad] += plan.times - 1.0
    return list(weights.items())


def write_fleet(fleet: TrueFleet, folder: Path, *, seed: int) -> Path:
    """Write every capture, the maps, and the manifest; give the manifest."""
    for kind in KINDS:
        path = folder / f"{kind.name}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(map_text(kind), encoding="utf-8", newline="\n")
    manifest = folder / "park.csv"
    with manifest.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(("machine", "file", "kind", "map", "hours", "changed", "model year", "software"))
        for number, row in enumerate(_rows(fleet, folder, seed)):
            rows.writerow(row)
            assert number < 1_000_000
    return manifest


def _rows(fleet: TrueFleet, folder: Path, seed: int) -> Iterator[tuple[str, ...]]:
    for k, one in enumerate(fleet.captures):
        path = folder / one.machine / f"{one.number:03d}.log"
        write_capture(path, one.kind, fleet.plan.length_s, one.drops, seed=seed * 100_003 + k, start_s=one.day * _DAY_S)
        (path.parent / "machine.toml").unlink(missing_ok=True)
        year, software = fleet.columns[one.machine]
        yield (
            one.machine,
            f"{one.machine}/{path.name}",
            one.kind.name,
            f"{one.kind.name}.toml",
            f"{one.hours:.2f}",
            CHANGED if one.machine in fleet.changed else "",
            year,
            software,
        )
