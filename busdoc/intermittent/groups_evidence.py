"""What each common cause says of incidents that belong together, and which incidents those are.

A cause has members: the controllers below a feed, beyond a segment, on a channel, or one controller alone. Where it
shows, each member that is up falls with a probability near one, each other controller with one near zero; neither is
known, so both are integrated out (beta-binomial), controller by controller: one that always rides through a dip costs
its cause once and not at every incident. Incidents are put together as long as one cause explains them better than two
do (agglomeration under a Chinese-restaurant prior, as in Heller & Ghahramani, ICML 2005).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.machine.machine import Machine, PartKind

__all__ = ["Cause", "CauseKind", "Cluster", "cluster_incidents", "list_causes", "weigh_causes"]

_FELL_OF_MEMBERS = (5.0, 0.8)
"""Beta prior of how often a member falls when its cause shows: 86 % on average."""
_FELL_OF_OTHERS = (0.3, 40.0)
"""Beta prior of how often another one falls at the same time: 0.7 % on average."""
_NEW_CLUSTER = 0.5
"""Weight of 'one more cause' in the Chinese-restaurant prior."""
_MOST_PATTERNS = 60
"""Sets of fallen controllers that are put together; rarer ones beyond that stand alone."""


class CauseKind(StrEnum):
    """What a group of controllers may share."""

    FEED = "feed"
    SEGMENT = "segment"
    BUS = "bus"
    """The whole channel: its end at the port, or the recorder's own lead."""
    CONTROLLER = "controller"
    """One alone: its own plug, its own supply, or itself."""
    SUPPLY = "supply off the map"
    """A fuse, ground or splice that no map names."""
    WIRING = "wiring off the map"
    """A piece of bus that no map names."""
    CHANCE = "chance"
    """Each fell for a reason of its own, and only the time was shared."""


_PRIOR = {
    CauseKind.FEED: 0.10,
    CauseKind.SEGMENT: 0.10,
    CauseKind.BUS: 0.02,
    CauseKind.CONTROLLER: 0.76,
    CauseKind.SUPPLY: 0.01,
    CauseKind.WIRING: 0.01,
}
"""Shares as for single parts (common practice), what hangs on a controller counted with it."""
_UNMAPPED = 0.10
"""Share of a supply or wiring cause where the map shows no feed, or no segment, at all."""
_RESTARTS = {
    CauseKind.FEED: 0.95,
    CauseKind.SUPPLY: 0.95,
    CauseKind.SEGMENT: 0.08,
    CauseKind.WIRING: 0.08,
    CauseKind.BUS: 0.08,
    CauseKind.CONTROLLER: 0.75,
    CauseKind.CHANCE: 0.75,
}
"""How often controllers have restarted when they are back from a loss of this kind."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cause:
    """One thing that may take controllers away together."""

    kind: CauseKind
    part: str | None
    members: BoolArray
    """(C,)"""
    log_prior: float


@dataclass(slots=True, kw_only=True, eq=False)
class Cluster:
    """Incidents that one cause may explain, as the counts that all causes are judged by."""

    rows: tuple[int, ...]
    fell: Int64Array
    """(C,) incidents in which each controller fell."""
    stayed: Int64Array
    """(C,) incidents in which it was up and stayed."""
    sign: Float64Array
    """(kinds,) log-likelihood of 'restarted or kept running' for each kind of cause, in the order of `CauseKind`."""


def list_causes(machine: Machine, controllers: Sequence[str], channels: Sequence[int | None]) -> tuple[Cause, ...]:
    """List the causes that the map and the channels offer.

    Parameters
    ----------
    machine : the map, possibly empty
    controllers : (C,) names
    channels : (C,) channel of each; None: unknown
    """
    index = {name: c for c, name in enumerate(controllers)}
    causes: list[Cause] = []
    for kind, of_part in ((CauseKind.FEED, PartKind.FEED), (CauseKind.SEGMENT, PartKind.SEGMENT)):
        found = [
            (part.name, _below(machine, part.name, index)) for part in machine.parts.values() if part.kind is of_part
        ]
        found = [(name, members) for name, members in found if members.any()]
        weights = [machine.parts[name].prior or 0.0 for name, _ in found]
        if not all(weights):
            weights = [1.0] * len(found)
        causes += [
            Cause(kind=kind, part=name, members=members, log_prior=math.log(_PRIOR[kind] * weight / sum(weights)))
            for (name, members), weight in zip(found, weights, strict=True)
        ]
    known = sorted({channel for channel in channels if channel is not None})
    for channel in known:
        members = np.array([channel == other for other in channels], np.bool_)
        if members.sum() > 1:
            log_prior = math.log(_PRIOR[CauseKind.BUS] / len(known))
            causes.append(Cause(kind=CauseKind.BUS, part=str(channel), members=members, log_prior=log_prior))
    each = math.log(_PRIOR[CauseKind.CONTROLLER] / max(1, len(controllers)))
    for name, c in index.items():
        alone = np.zeros(len(controllers), np.bool_)
        alone[c] = True
        causes.append(Cause(kind=CauseKind.CONTROLLER, part=name, members=alone, log_prior=each))
    return tuple(causes)


def _below(machine: Machine, part: str, index: dict[str, int]) -> BoolArray:
    members = np.zeros(len(index), np.bool_)
    for name in machine.controllers_below(part):
        if name in index:
            members[index[name]] = True
    return members


def weigh_causes(
    cluster: Cluster, causes: Sequence[Cause], chance: Float64Array
) -> tuple[tuple[Cause, ...], Float64Array]:
    """Give every cause that was weighed, chance among them, and the log of the joint weight of each.

    Parameters
    ----------
    cluster : the incidents' counts
    causes : as `list_causes` gives them
    chance : (C,) probability that a controller falls by itself within the time in which losses count as one
    """
    weighed = (*causes, *_off_the_map(cluster, causes))
    members = np.array([cause.members for cause in weighed])
    inside = _beta_binomial(cluster.fell, cluster.stayed, _FELL_OF_MEMBERS)
    outside = _beta_binomial(cluster.fell, cluster.stayed, _FELL_OF_OTHERS)
    beside = cluster.fell * np.log(chance) + cluster.stayed * np.log1p(-chance)
    elsewhere = np.where(
        np.array([cause.kind is CauseKind.CHANCE for cause in weighed])[:, None], beside[None, :], outside[None, :]
    )
    terms = np.where(members, inside[None, :], elsewhere)
    kinds = list(CauseKind)
    sign = cluster.sign[[kinds.index(cause.kind) for cause in weighed]]
    return weighed, np.array([cause.log_prior for cause in weighed]) + terms.sum(axis=1) + sign


def _off_the_map(cluster: Cluster, causes: Sequence[Cause]) -> list[Cause]:
    """Add what no map names: a supply or wiring of just those that fell, priced by how many such sets there are."""
    n = len(cluster.rows)
    members: BoolArray = np.asarray(2 * cluster.fell >= n)
    size = int(members.sum())
    if size < 2:
        return []
    n_sets = math.comb(len(members), size)
    off = [
        Cause(kind=kind, part=None, members=members, log_prior=math.log(_off_share(mapped, kind, causes) / n_sets))
        for kind, mapped in ((CauseKind.SUPPLY, CauseKind.FEED), (CauseKind.WIRING, CauseKind.SEGMENT))
    ]
    first = np.zeros(len(members), np.bool_)
    first[int(np.argmax(cluster.fell))] = True
    log_prior = math.log(_PRIOR[CauseKind.CONTROLLER] / len(members))
    return [*off, Cause(kind=CauseKind.CHANCE, part=None, members=first, log_prior=log_prior)]


def _off_share(mapped: CauseKind, kind: CauseKind, causes: Sequence[Cause]) -> float:
    return _PRIOR[kind] if any(cause.kind is mapped for cause in causes) else _UNMAPPED


def _beta_binomial(fell: Int64Array, stayed: Int64Array, prior: tuple[float, float]) -> Float64Array:
    """(C,) log of the probability of an ordered series of falls and stays, its rate integrated out."""
    from scipy.special import betaln  # 0.15 s, and only where dropouts are many

    a, b = prior
    return np.asarray(betaln(a + fell, b + stayed) - betaln(a, b), np.float64)


def sign_of(p_restarted: Float64Array) -> Float64Array:
    """(K, kinds) log-likelihood of what each return showed, for every kind of cause; zero where it showed nothing."""
    p = np.where(np.isnan(p_restarted), 0.5, np.clip(p_restarted, 0.03, 0.97))[:, None]
    restarts = np.array([_RESTARTS[kind] for kind in CauseKind])[None, :]
    return np.asarray(np.log(2.0 * (restarts * p + (1.0 - restarts) * (1.0 - p))) * ~np.isnan(p_restarted)[:, None])


def cluster_incidents(
    hit: BoolArray, up: BoolArray, p_restarted: Float64Array, causes: Sequence[Cause], chance: Float64Array
) -> list[Cluster]:
    """Put incidents together that one cause explains better than two.

    Parameters
    ----------
    hit, up : (K, C) who fell, and who was on the bus just before
    p_restarted : (K,) NaN where unknown
    chance : (C,)

    Returns
    -------
    The largest first
    """
    patterns, which = np.unique(hit, axis=0, return_inverse=True)
    which = which.reshape(-1)
    sign = sign_of(p_restarted)
    clusters = [_cluster(np.flatnonzero(which == k), hit, up, sign) for k in range(len(patterns))]
    clusters.sort(key=lambda one: -len(one.rows))
    open_ones, alone = clusters[:_MOST_PATTERNS], clusters[_MOST_PATTERNS:]
    evidence = [_evidence(one, causes, chance) for one in open_ones]
    gains = {
        (a, b): _gain(open_ones, evidence, a, b, causes, chance)
        for a in range(len(open_ones))
        for b in range(a + 1, len(open_ones))
        if _share_one(open_ones[a], open_ones[b])
    }
    alive = set(range(len(open_ones)))
    while gains:
        (a, b), (gain, merged) = max(gains.items(), key=lambda item: item[1][0])
        if gain <= 0.0:
            break
        open_ones.append(merged)
        evidence.append(_evidence(merged, causes, chance))
        new = len(open_ones) - 1
        alive -= {a, b}
        gains = {pair: found for pair, found in gains.items() if not {a, b} & set(pair)}
        for other in alive:
            if _share_one(open_ones[other], merged):
                gains[other, new] = _gain(open_ones, evidence, other, new, causes, chance)
        alive.add(new)
    return sorted((*(open_ones[k] for k in alive), *alone), key=lambda one: (-len(one.rows), one.rows))


def _share_one(one: Cluster, other: Cluster) -> bool:
    return bool(np.any((one.fell > 0) & (other.fell > 0)))


def _cluster(rows: Int64Array, hit: BoolArray, up: BoolArray, sign: Float64Array) -> Cluster:
    return Cluster(
        rows=tuple(rows.tolist()),
        fell=hit[rows].sum(axis=0).astype(np.int64),
        stayed=(up[rows] & ~hit[rows]).sum(axis=0).astype(np.int64),
        sign=sign[rows].sum(axis=0),
    )


def _evidence(cluster: Cluster, causes: Sequence[Cause], chance: Float64Array) -> float:
    _, log_weight = weigh_causes(cluster, causes, chance)
    return float(np.logaddexp.reduce(log_weight))


def _gain(
    clusters: Sequence[Cluster],
    evidence: Sequence[float],
    a: int,
    b: int,
    causes: Sequence[Cause],
    chance: Float64Array,
) -> tuple[float, Cluster]:
    """Say what is won by one cause instead of two, as a log odds."""
    one, other = clusters[a], clusters[b]
    merged = Cluster(
        rows=tuple(sorted((*one.rows, *other.rows))),
        fell=one.fell + other.fell,
        stayed=one.stayed + other.stayed,
        sign=one.sign + other.sign,
    )
    n, m = len(one.rows), len(other.rows)
    partition = math.lgamma(n + m) - math.lgamma(n) - math.lgamma(m) - math.log(_NEW_CLUSTER)
    return partition + _evidence(merged, causes, chance) - evidence[a] - evidence[b], merged
