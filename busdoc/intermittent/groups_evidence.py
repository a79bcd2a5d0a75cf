"""What each common cause says of incidents that belong together, and which incidents those are.

A cause has members: the controllers below a feed, beyond a segment, on a channel, or one controller alone. Where it
shows, each member that is up falls with a probability near one, each other controller with one near zero; neither is
known, so both are integrated out (beta-binomial), controller by controller: one that always rides through a dip costs
its cause once and not at every incident. Incidents are put together as long as one cause explains them better than two
do (agglomeration under a Chinese-restaurant prior, as in Heller & Ghahramani, ICML 2005).
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations, count

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

    @property
    def members(self) -> BoolArray:
        """(C,) Mark those that fell in at least half of the incidents; where none did, those that fell most."""
        half: BoolArray = np.asarray(2 * self.fell >= len(self.rows))
        return half if half.any() else np.asarray(self.fell == self.fell.max())

    def with_all(self, other: "Cluster") -> "Cluster":
        """Put two together."""
        return Cluster(
            rows=tuple(sorted((*self.rows, *other.rows))),
            fell=self.fell + other.fell,
            stayed=self.stayed + other.stayed,
            sign=self.sign + other.sign,
        )


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
        below = [
            (part, _marked(machine.controllers_below(part.name), index))
            for part in machine.parts.values()
            if part.kind is of_part
        ]
        found = [(part, members) for part, members in below if members.any()]
        weights = [part.prior or 0.0 for part, _ in found]
        if not all(weights):
            weights = [1.0] * len(found)
        causes += [
            Cause(kind=kind, part=part.name, members=members, log_prior=math.log(_PRIOR[kind] * weight / sum(weights)))
            for (part, members), weight in zip(found, weights, strict=True)
        ]
    known = sorted({channel for channel in channels if channel is not None})
    for channel in known:
        members = np.array([channel == other for other in channels], np.bool_)
        if members.sum() > 1:
            log_prior = math.log(_PRIOR[CauseKind.BUS] / len(known))
            causes.append(Cause(kind=CauseKind.BUS, part=str(channel), members=members, log_prior=log_prior))
    each = math.log(_PRIOR[CauseKind.CONTROLLER] / max(1, len(controllers)))
    for name in controllers:
        causes.append(Cause(kind=CauseKind.CONTROLLER, part=name, members=_marked([name], index), log_prior=each))
    return tuple(causes)


def _marked(names: Iterable[str], index: Mapping[str, int]) -> BoolArray:
    """(C,) Mark the controllers of these names, as far as they are known."""
    members = np.zeros(len(index), np.bool_)
    members[[index[name] for name in names if name in index]] = True
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
    weighed = _without_twins([*causes, *_off_the_map(cluster, causes)])
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


def _without_twins(causes: Sequence[Cause]) -> tuple[Cause, ...]:
    """Let wiring off the map that every controller of a channel shares be the bus of that channel, which it is."""
    wiring = next((one for one in causes if one.kind is CauseKind.WIRING), None)
    if wiring is None:
        return tuple(causes)
    bus = [one for one in causes if one.kind is CauseKind.BUS and np.array_equal(one.members, wiring.members)]
    if not bus:
        return tuple(causes)
    both = replace(bus[0], log_prior=float(np.logaddexp(bus[0].log_prior, wiring.log_prior)))
    return tuple(both if one is bus[0] else one for one in causes if one is not wiring)


def _off_the_map(cluster: Cluster, causes: Sequence[Cause]) -> list[Cause]:
    """Add what no map names: a supply or wiring of just those that fell, priced by how many such sets there are."""
    members: BoolArray = np.asarray(2 * cluster.fell >= len(cluster.rows))
    size = int(members.sum())
    if size < 2:
        return []
    n_sets = math.comb(len(members), size)
    mapped = {cause.kind for cause in causes}
    off = [
        Cause(kind=kind, part=None, members=members, log_prior=math.log(share / n_sets))
        for kind, share in (
            (CauseKind.SUPPLY, _PRIOR[CauseKind.SUPPLY] if CauseKind.FEED in mapped else _UNMAPPED),
            (CauseKind.WIRING, _PRIOR[CauseKind.WIRING] if CauseKind.SEGMENT in mapped else _UNMAPPED),
        )
    ]
    first = np.arange(len(members)) == np.argmax(cluster.fell)
    log_prior = math.log(_PRIOR[CauseKind.CONTROLLER] / len(members))
    return [*off, Cause(kind=CauseKind.CHANCE, part=None, members=first, log_prior=log_prior)]


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
    sign = sign_of(p_restarted)
    # One cluster for each set of controllers that ever fell together.
    clusters = [_cluster(np.flatnonzero(which.reshape(-1) == k), hit, up, sign) for k in range(len(patterns))]
    clusters.sort(key=lambda one: -len(one.rows))
    open_ones, alone = dict(enumerate(clusters[:_MOST_PATTERNS])), clusters[_MOST_PATTERNS:]
    evidence = {k: _evidence(one, causes, chance) for k, one in open_ones.items()}
    merged: dict[tuple[int, int], tuple[float, Cluster]] = {}

    def consider(a: int, b: int) -> None:
        """Note what one cause for both wins over two, as a log odds, where some controller fell in both."""
        one, other = open_ones[a], open_ones[b]
        if not np.any((one.fell > 0) & (other.fell > 0)):
            return
        both, n, m = one.with_all(other), len(one.rows), len(other.rows)
        partition = math.lgamma(n + m) - math.lgamma(n) - math.lgamma(m) - math.log(_NEW_CLUSTER)
        merged[a, b] = partition + _evidence(both, causes, chance) - evidence[a] - evidence[b], both

    for pair in combinations(open_ones, 2):
        consider(*pair)
    # Put the two together that win most by it, as long as anything is won.
    for new in count(len(open_ones)):
        pair, (gain, both) = max(merged.items(), key=lambda item: item[1][0], default=((0, 0), (0.0, clusters[0])))
        if gain <= 0.0:
            break
        merged = {others: found for others, found in merged.items() if not {*pair} & {*others}}
        for k in pair:
            del open_ones[k]
        open_ones[new], evidence[new] = both, _evidence(both, causes, chance)
        for other in list(open_ones)[:-1]:
            consider(other, new)
    return sorted((*open_ones.values(), *alone), key=lambda one: (-len(one.rows), one.rows))


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
