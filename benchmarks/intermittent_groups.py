"""Who falls with whom, at the level of incidents: how often the right feed or segment is on top, and how sure it is.

    python -m benchmarks.intermittent_groups [CASES]

Machines by chance with 5 to 13 controllers; a feed or a segment with at least two of them below it shows 3 to 8 times.
Controllers ride through some showings, three returns in ten tell nothing, one in twenty tells the wrong way, and
controllers fall on their own as well. Frames from end to end: `benchmarks.intermittent_truth groups`.
"""

import sys
from collections import Counter, defaultdict

import numpy as np

from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.intermittent.binomial import binomial_interval
from busdoc.intermittent.groups import Group, find_groups
from busdoc.machine.machine import Machine, PartKind
from tests.truth.by_chance.random_machine import random_machine

_NS = 10**9
_RIDES_THROUGH = (0.0, 0.1, 0.25)


def _dropout(at_s: float, names: list[str], p_restarted: float | None) -> Incident:
    last_ns = round(at_s * _NS)
    loss = {
        "last_seen_ns": last_ns,
        "onset_ns": last_ns + _NS // 10,
        "back_ns": last_ns + 4 * _NS,
        "steady_ns": last_ns + 5 * _NS,
    }
    losses = tuple(
        Loss(controller=name, ran_on=RanOn.UNKNOWN, p_restarted=p_restarted, **loss)  # type: ignore[arg-type]
        for name in names
    )
    return Incident(
        kind=IncidentKind.DROPOUT,
        channel=0,
        controllers=tuple(names),
        ran_on=RanOn.UNKNOWN,
        p_restarted=p_restarted,
        losses=losses,
        **loss,  # type: ignore[arg-type]  # times alone
    )


def _case(rng: np.random.Generator, kind: PartKind, rides_through: float) -> tuple[Machine, str, list[Incident]] | None:
    machine = random_machine(
        rng,
        n_controllers=int(rng.integers(5, 14)),
        n_branches=0,
        n_feeds=int(rng.integers(2, 5)),
        n_segments=int(rng.integers(2, 5)),
    )
    names = list(machine.controllers)
    fitting = [
        part.name
        for part in machine.parts.values()
        if part.kind is kind and 2 <= len(machine.controllers_below(part.name)) < len(names)
    ]
    if not fitting:
        return None
    part = fitting[int(rng.integers(len(fitting)))]
    incidents, at_s = [], 100.0
    for _ in range(int(rng.integers(3, 9))):
        at_s += float(rng.exponential(600.0)) + 20.0
        fell = [name for name in machine.controllers_below(part) if rng.random() >= rides_through]
        if fell:
            incidents.append(_dropout(at_s, fell, _told(rng, kind)))
    others_s = rng.uniform(100.0, at_s, int(rng.poisson(3.0))).tolist()
    alone = [_dropout(other_s, [names[int(rng.integers(len(names)))]], 0.95) for other_s in others_s]
    return machine, part, [*incidents, *alone]


def _told(rng: np.random.Generator, kind: PartKind) -> float | None:
    """Say how the return looked: three in ten tell nothing, one in twenty tells the wrong way."""
    if rng.random() < 0.3:
        return None
    p = float(rng.uniform(0.8, 0.99)) if kind is PartKind.FEED else float(rng.uniform(0.01, 0.2))
    return 1.0 - p if rng.random() < 0.05 else p


def _top(machine: Machine, incidents: list[Incident]) -> Group:
    watched_s = max(incident.last_seen_ns for incident in incidents) / _NS + 1000.0
    heard = [(name, 0) for name in machine.controllers]
    groups = find_groups(incidents, range(len(incidents)), machine, heard, start_ns=0, watched_s=watched_s)
    return max(groups, key=lambda group: (len(group.controllers) > 1, len(group.incidents)))


def main() -> None:
    """Print the shares, and how often statements of each probability were right."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1200
    rng = np.random.default_rng(5)
    right: Counter[tuple[str, float]] = Counter()
    total: Counter[tuple[str, float]] = Counter()
    said: dict[int, list[bool]] = defaultdict(list)
    for k in range(n):
        kind, rides_through = (PartKind.FEED, PartKind.SEGMENT)[k % 2], float(rng.choice(_RIDES_THROUGH))
        case = _case(rng, kind, rides_through)
        if case is None:
            continue
        machine, part, incidents = case
        cause = _top(machine, incidents).likeliest
        total[kind.value, rides_through] += 1
        right[kind.value, rides_through] += cause.part == part
        said[min(int(cause.probability * 10), 9)].append(cause.part == part)
    for key in sorted(total):
        low, high = binomial_interval(right[key], total[key])
        share = f"{right[key]} of {total[key]} = {right[key] / total[key]:.1%} ({low:.1%} to {high:.1%})"
        print(f"{key[0]}, each rides through {key[1]:.0%}: right part on top in {share}")
    for tenth in sorted(said):
        print(
            f"said with {10 * tenth} to {10 * tenth + 10} %: right in {np.mean(said[tenth]):.0%} of {len(said[tenth])}"
        )


if __name__ == "__main__":
    main()
