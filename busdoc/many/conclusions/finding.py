"""Draws every conclusion about a fleet from what was counted; the statistics themselves are beside it."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.intermittent.multiple_testing import benjamini_hochberg
from busdoc.many.conclusions.ages import before_and_after, before_and_after_elsewhere, lives_of, rates_by_month
from busdoc.many.conclusions.counts import KindCounts, MachineCounts, gather
from busdoc.many.conclusions.findings import AHEAD_H, Findings, KindFindings, MachineFindings, Ranked
from busdoc.many.conclusions.ranks import controllers_of_machines, of_kind, rank_fellows
from busdoc.many.kept.store import Listed
from busdoc.many.statistics.bunching import bunching_of
from busdoc.many.statistics.gamma_poisson import GammaPoisson, by_itself, learn
from busdoc.many.statistics.power_law import Life, trend_of
from busdoc.many.statistics.rates import Rate, rate_of
from busdoc.many.statistics.regression import Effects, effects_of
from busdoc.many.statistics.together import fell_together
from busdoc.many.work.shared import CONTROLLER

__all__ = ["find"]

_TELLS_NOTHING = 20.0
"""An interval of the mean whose limits are so far apart, over one another, tells nothing of the kind."""


def find(lines: Iterable[Listed], *, changed: str = "") -> Findings:
    """Draw every conclusion.

    Parameters
    ----------
    lines : of the store, by machine
    changed : the day on which all machines were changed that the manifest gives none of their own; empty: none
    """
    n = [0, 0]

    def counted(lines: Iterable[Listed]) -> Iterable[Listed]:
        for line in lines:
            n[0] += 1
            n[1] += line.body is not None
            yield line

    gathered, problems = gather(counted(lines))
    kinds = [_kind(kind, changed) if name else _of_no_kind(kind, changed) for name, kind in sorted(gathered.items())]
    corrected, n_ranked = _corrected(kinds)
    return Findings(
        kinds=tuple(corrected),
        problems=tuple(problems),
        n_captures=n[0],
        n_judged=n[1],
        n_ranked=n_ranked,
        changed=changed,
    )


def _kind(kind: KindCounts, changed: str) -> KindFindings:
    machines = [one for _, one in sorted(kind.machines.items())]
    n, hours = _totals(machines)
    bunching = _bunching(machines)
    model = learn(n / bunching, hours / bunching)
    ranked = rank_fellows([(one.name, "", "") for one in machines], n, hours, bunching, model)
    of_controllers, n_idle = controllers_of_machines(machines, bunching)
    lives, by_meter = lives_of(machines, changed)
    found = [
        _machine(kind, one, rank, model, bunching, of_controllers.get(one.name, ()), lives.get(one.name))
        for one, rank in zip(machines, ranked, strict=True)
    ]
    controllers, n_idle_controllers = of_kind(machines, "controllers", {}, bunching)
    parts, n_idle_parts = of_kind(machines, "parts", {name: kind.part_kinds[name] for name in kind.tellable}, bunching)
    typical = None if model is None else (model.typical, *model.typical_interval)
    if typical is not None and typical[2] > _TELLS_NOTHING * typical[1]:
        typical = None
    together = fell_together({one.name: one.fell for one in machines}, {one.name: sum(one.hours) for one in machines})
    return KindFindings(
        name=kind.name,
        rate=rate_of(int(n.sum()), float(hours.sum()), bunching=bunching),
        typical=typical,
        spread=0.0 if model is None else model.spread,
        bunching=bunching,
        machines=tuple(found),
        controllers=controllers,
        parts=parts,
        part_kinds=_part_kinds(kind, machines, bunching),
        trend=trend_of(list(lives.values()), bunching=bunching),
        by_meter=by_meter,
        change=before_and_after(machines, changed, bunching),
        unchanged=before_and_after_elsewhere(machines, changed, bunching),
        effects=_effects(machines),
        together=tuple((group, _shared(kind, group.controllers)) for group in together),
        months=rates_by_month(machines, bunching),
        n_idle=n_idle + n_idle_controllers + n_idle_parts,
    )


def _of_no_kind(kind: KindCounts, changed: str) -> KindFindings:
    """Say of each machine by itself what there is to say: they may be of as many kinds as they are."""
    machines = [one for _, one in sorted(kind.machines.items())]
    n, hours = _totals(machines)
    bunching = _bunching(machines)
    lives, by_meter = lives_of(machines, changed)
    found = []
    for one in machines:
        (ranked,) = rank_fellows([(one.name, "", "")], *_totals([one]), bunching, None)
        own = [
            rank_fellows([(one.name, name, CONTROLLER)], np.array([k]), np.array([watched]), bunching, None)[0]
            for name, (k, watched) in one.controllers.items()
            if k
        ]
        own.sort(key=lambda rank: (-rank.rate.n, rank.name))
        found.append(_machine(kind, one, ranked, None, bunching, tuple(own), lives.get(one.name)))
    return KindFindings(
        name="",
        rate=rate_of(int(n.sum()), float(hours.sum()), bunching=bunching),
        typical=None,
        spread=0.0,
        bunching=bunching,
        machines=tuple(found),
        controllers=(),
        parts=(),
        part_kinds=(),
        trend=None,
        by_meter=by_meter,
        change=before_and_after(machines, changed, bunching),  # each machine is compared with itself
        unchanged=None,
        effects=None,
        together=(),
        months=(),
        n_idle=0,
    )


def _totals(machines: Sequence[MachineCounts]) -> tuple[Float64Array, Float64Array]:
    n = np.array([sum(one.n) for one in machines], np.float64)
    return n, np.array([sum(one.hours) for one in machines], np.float64)


def _bunching(machines: Sequence[MachineCounts]) -> float:
    which: Int64Array = np.repeat(np.arange(len(machines)), [len(one.hours) for one in machines])
    n = np.concatenate([np.asarray(one.n, np.int64) for one in machines])
    return bunching_of(which, n, np.concatenate([np.asarray(one.hours, np.float64) for one in machines]))


def _part_kinds(
    kind: KindCounts, machines: Sequence[MachineCounts], bunching: float
) -> tuple[tuple[str, int, Rate], ...]:
    found = []
    for what in sorted(set(kind.part_kinds.values())):
        names = [name for name, own in kind.part_kinds.items() if own == what]
        n = sum(int(one.parts[name][0]) for one in machines for name in names if name in one.parts)
        hours = sum(one.parts[name][1] for one in machines for name in names if name in one.parts)
        found.append((what, len(names), rate_of(n, hours, bunching=bunching)))
    return tuple(sorted(found, key=lambda one: -one[2].per_hour))


def _machine(
    kind: KindCounts,
    one: MachineCounts,
    ranked: Ranked,
    model: GammaPoisson | None,
    bunching: float,
    controllers: tuple[Ranked, ...],
    life: Life | None,
) -> MachineFindings:
    expected = _expected(model, ranked.rate, bunching)
    parts = sorted(((name, int(of[0])) for name, of in one.parts.items() if of[0]), key=lambda part: -part[1])
    return MachineFindings(
        ranked=ranked,
        n_captures=len(one.hours),
        n_trouble=one.n_trouble,
        n_could_not=one.n_could_not,
        expected=expected,
        controllers=controllers,
        parts=tuple((name, kind.part_kinds.get(name, ""), n_of) for name, n_of in parts),
        trend=None if life is None else trend_of([life], bunching=bunching),
        healthy=tuple(one.healthy),
    )


def _expected(model: GammaPoisson | None, rate: Rate, bunching: float) -> tuple[int, int] | None:
    """Foretell the dropouts of one machine in the hours ahead; without a model by what it showed itself."""
    if model is None and rate.hours <= 0.0:
        return None
    counted, watched = np.array([rate.n / bunching]), np.array([rate.hours / bunching])
    low, high = (by_itself() if model is None else model).expected(counted, watched, AHEAD_H / bunching)
    return math.floor(low * bunching), math.ceil(high * bunching)


def _by_itself(one: MachineFindings, bunching: float) -> MachineFindings:
    """Believe a machine itself that has been shown to be worse than its fellows: it is not to be taken for one."""
    rank = one.ranked
    if not rank.worse:
        return one
    rate, times = rank.rate, rank.times * rank.rate.per_hour / rank.believed
    own = replace(rank, believed=rate.per_hour, low=rate.low, high=rate.high, times=times)
    return replace(one, ranked=own, expected=_expected(None, rate, bunching))


def _effects(machines: Sequence[MachineCounts]) -> Effects | None:
    """Regress over machines; a column counts with the value that most of a machine's captures have."""
    names = sorted({column for one in machines for column in one.columns})
    if not names:
        return None
    n, hours = _totals(machines)
    columns = {
        name: [one.columns[name].most_common(1)[0][0] if name in one.columns else "" for one in machines]
        for name in names
    }
    return effects_of(n.astype(np.int64), hours, columns)


def _shared(kind: KindCounts, group: Sequence[str]) -> str | None:
    """Name the feed or segment that all of a group share on the kind's maps; empty: none, None: they are on no map."""
    places = [kind.hangs_on[name].most_common(1)[0][0] for name in group if kind.hangs_on.get(name)]
    if len(places) < len(group):
        return None
    return next((of_all[0] for of_all in zip(*places, strict=True) if of_all[0] and len(set(of_all)) == 1), "")


def _corrected(kinds: Sequence[KindFindings]) -> tuple[list[KindFindings], int]:
    """Correct every p for all that is ranked, over all kinds; what has no fellow was not ranked."""
    every: list[Ranked] = []
    for kind in kinds:
        every += [one.ranked for one in kind.machines]
        every += [rank for one in kind.machines for rank in one.controllers]
        every += [*kind.controllers, *kind.parts]
    every = [one for one in every if one.fellows]
    n_idle = sum(kind.n_idle for kind in kinds)  # what never dropped was ranked as well, and pays for nothing
    q = iter(benjamini_hochberg(np.array([one.p for one in every] + [1.0] * n_idle)).tolist())

    def paid(one: Ranked) -> Ranked:
        return replace(one, q=next(q)) if one.fellows else one

    found = []
    for kind in kinds:
        ranks = [paid(one.ranked) for one in kind.machines]
        inner = [tuple(paid(rank) for rank in one.controllers) for one in kind.machines]
        machines = tuple(
            _by_itself(replace(one, ranked=rank, controllers=own), kind.bunching)
            for one, rank, own in zip(kind.machines, ranks, inner, strict=True)
        )
        if kind.name:
            machines = tuple(sorted(machines, key=lambda one: -one.ranked.believed))
        controllers = tuple(paid(one) for one in kind.controllers)
        parts = tuple(paid(one) for one in kind.parts)
        found.append(replace(kind, machines=machines, controllers=controllers, parts=parts))
    return found, len(every) + n_idle
