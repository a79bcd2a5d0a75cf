"""Ranks machines, their controllers, and the parts of a kind, each among its fellows."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.many.conclusions.counts import MachineCounts
from busdoc.many.conclusions.findings import Ranked
from busdoc.many.statistics.gamma_poisson import GammaPoisson, learn
from busdoc.many.statistics.ranking import above_the_rest
from busdoc.many.statistics.rates import rate_of
from busdoc.many.work.shared import CONTROLLER

__all__ = ["controllers_of_machines", "of_kind", "rank_fellows"]

_STANDS_OUT = 0.01
"""A part that shows such a p on one machine is that machine's trouble; to leave it out makes no other test smaller."""


def rank_fellows(
    names: Sequence[tuple[str, str, str]],
    n: Float64Array,
    hours: Float64Array,
    bunching: float,
    model: GammaPoisson | None,
) -> list[Ranked]:
    """Rank fellows: (machine, name, kind of part) of each."""
    p = above_the_rest(n, hours, bunching=bunching)
    rates = [rate_of(int(k), h, bunching=bunching) for k, h in zip(n.tolist(), hours.tolist(), strict=True)]
    if model is None:
        believed, low, high = ([one.per_hour for one in rates], [one.low for one in rates], [one.high for one in rates])
        typical = float(n.sum() / hours.sum()) if hours.sum() > 0.0 else 0.0
    else:
        counts, watched = n / bunching, hours / bunching
        limits = model.interval(counts, watched)
        believed, low, high = model.believed(counts, watched).tolist(), limits[0].tolist(), limits[1].tolist()
        typical = model.typical
    n_watched = max(1, int((hours > 0.0).sum()))
    return [
        Ranked(
            machine=machine,
            name=name,
            what=what,
            rate=rate,
            believed=mean,
            low=lower,
            high=upper,
            times=mean / typical if typical > 0.0 else 1.0,
            p=chance,
            fellows=int(watched > 0.0) * (n_watched - 1),
        )
        for (machine, name, what), rate, watched, mean, lower, upper, chance in zip(
            names, rates, hours.tolist(), believed, low, high, p.tolist(), strict=True
        )
    ]


def controllers_of_machines(
    machines: Sequence[MachineCounts], bunching: float
) -> tuple[Mapping[str, tuple[Ranked, ...]], int]:
    """Rank each controller among those of the same name on the other machines; give also how many never dropped."""
    found: dict[str, list[Ranked]] = {}
    n_idle = 0
    for name in sorted({name for one in machines for name in one.controllers}):
        having = [one for one in machines if name in one.controllers]
        n = np.array([one.controllers[name][0] for one in having])
        hours = np.array([one.controllers[name][1] for one in having])
        if not n.sum():
            n_idle += len(having) if len(having) > 1 else 0
            continue
        model = learn(n / bunching, hours / bunching)
        for rank in rank_fellows([(one.name, name, CONTROLLER) for one in having], n, hours, bunching, model):
            if rank.rate.n:
                found.setdefault(rank.machine, []).append(rank)
            else:
                n_idle += rank.fellows > 0
    return {name: tuple(sorted(ranks, key=lambda one: -one.rate.n)) for name, ranks in found.items()}, n_idle


def of_kind(
    machines: Sequence[MachineCounts], of: str, kinds: Mapping[str, str], bunching: float
) -> tuple[tuple[Ranked, ...], int]:
    """Rank the controllers, or the parts of each kind of part, among each other over all machines.

    What a few machines show is theirs: each is tested without those on which it stands out. Parts that no dropout can
    speak of are no fellows: next to them every other would look bad.
    """
    names = sorted(kinds or {name for one in machines for name in getattr(one, of)})
    found: list[Ranked] = []
    n_idle = 0
    for what in sorted({kinds.get(name, CONTROLLER) for name in names}):
        if of == "parts" and what == CONTROLLER:
            continue  # they are ranked as controllers, with the time that each was watched
        fellows = [name for name in names if kinds.get(name, CONTROLLER) == what]
        table = np.array([[getattr(one, of).get(name, (0.0, 0.0)) for one in machines] for name in fellows])
        n, hours = table[:, :, 0].sum(axis=1), table[:, :, 1].sum(axis=1)
        if not n.sum():
            n_idle += len(fellows) if len(fellows) > 1 else 0
            continue
        model = learn(n / bunching, hours / bunching)
        for k, rank in enumerate(rank_fellows([("", name, what) for name in fellows], n, hours, bunching, model)):
            if not rank.rate.n:
                n_idle += rank.fellows > 0
                continue
            rest = np.delete(table, _standing_out(table[k], bunching), axis=1)
            p = above_the_rest(rest[:, :, 0].sum(axis=1), rest[:, :, 1].sum(axis=1), bunching=bunching)
            found.append(replace(rank, p=float(p[k]), machines=int((table[k, :, 0] > 0.0).sum())))
    return tuple(sorted(found, key=lambda one: (-one.rate.n, one.name))), n_idle


def _standing_out(of_machines: Float64Array, bunching: float) -> Int64Array:
    """Name the machines, by index, on which a part drops far more often than on the others, and the foremost of all."""
    n, hours = of_machines[:, 0], of_machines[:, 1]
    out = above_the_rest(n, hours, bunching=bunching) <= _STANDS_OUT
    out[int(n.argmax())] = True
    return np.flatnonzero(out)
