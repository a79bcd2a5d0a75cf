"""The posterior over sets of up to three faulty parts, by enumeration.

With S the set of faulty parts, r their rates and z the background rate, the record has the likelihood

    prod over incidents k of (sum over i in S of hazard[i, k, r_i] + background[k, z] + by_hand[k])
    times prod over i in S of survival[i, r_i], times calm[z]

summed over the grids of r and z. Failed starts stand behind the incidents; theirs are probabilities and no densities,
so of several causes each may have been enough: 1 - prod (1 - hazard), where two that are sure make it no surer.

The sums over the rates are `busdoc.isolation.suspects.sets.likelihood`'s; here the sets are enumerated, with their
priors, and what is found of sets and of causes is turned into what is said of parts.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.evidence import Evidence
from busdoc.isolation.suspects.prior import SET_SIZE_PRIOR
from busdoc.isolation.suspects.rates import BACKGROUND_ALONE, BACKGROUND_BESIDE, RATE_PRIOR, quiet_probability
from busdoc.isolation.suspects.sets.causes import OFF_THE_MAP, Causes
from busdoc.isolation.suspects.sets.lately import likelihoods_once
from busdoc.isolation.suspects.sets.likelihood import (
    SetLikelihoods,
    Terms,
    log_or_none,
    log_product,
    log_sum,
)

__all__ = ["Posterior", "weigh_sets"]

_MOST_IN_PAIRS = 800
"""Causes, the likeliest first, of which all pairs are weighed (bound on work; no machine map has as many)."""
_MOST_IN_THREES = 60
"""Causes, the likeliest first, of which all sets of three are weighed (bound on work)."""
_SHARPNESS = 1.08
"""Every doubt of the evidence errs to the side of caution, and together they leave what is said four points below what
is true (simulated sessions, from 50 % up). One exponent takes half of that back: temperature scaling, Guo, Pleiss, Sun
and Weinberger, On calibration of modern neural networks, ICML 2017. The other half is kept, as caution.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.sets.posterior._SHARPNESS 1.0 1.16"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Over P parts."""

    marginal: Float64Array
    """(P,) probability that the part is faulty."""
    nothing: float
    """That no part on the map is."""
    elsewhere: float
    """That the cause is off the map: nothing on it is at fault, or something that it leaves out is."""
    sets: Int64Array
    """(S, 3) rows of part indices; P for a cause off the map, -1 where a set has fewer than three."""
    weight: Float64Array
    """(S,) probability, sum 1."""
    rate: Float64Array
    """(P, R) posterior of the rate of each part, as the only faulty one."""
    rate_off: Float64Array
    """(R,) the same for what is off the map."""
    background: Float64Array
    """(Z,) posterior of the background rate, were nothing on the map at fault."""
    shows: Float64Array
    """(K, P) probability that the incident was this part's showing."""
    by_hand: Float64Array
    """(K,) probability that it was somebody who switched a supply and wrote nothing down."""
    shows_rate: Float64Array
    """(K, P, R) the same, by the rate at which it shows; sums to `shows`."""
    earned: Float64Array
    """(P,) probability that a fault like the one that is chased stays quiet for as long as the part was exposed."""


def weigh_sets(causes: Causes) -> Posterior:
    """Work the posterior out.

    Parameters
    ----------
    causes : Q of them, with their evidence and their prior weights
    """
    evidence = causes.evidence
    n_incidents = evidence.hazard.shape[1]
    hazard, background = _scaled(evidence)
    # Parts whose evidence is the same to the last digit (branches that were never told apart) are worked out once.
    kinds, of_kind = _kinds_of_evidence(hazard, evidence.survival)
    terms = Terms(
        hazard=hazard[kinds],
        survival=evidence.survival[kinds] * RATE_PRIOR,
        background=background,
        calm=evidence.calm * BACKGROUND_BESIDE,
        n_incidents=n_incidents if evidence.window_s is None else 0,
    )
    likelihoods = likelihoods_once(terms)
    log_background = log_or_none(background).sum(axis=0) + log_or_none(evidence.calm * BACKGROUND_ALONE)
    nothing = float(log_sum(log_background, (0,)))
    # Every set of causes with its likelihood and its prior.
    sets, log_l = _all_sets(of_kind, likelihoods, nothing)
    log_w = _SHARPNESS * log_l + _log_prior(sets, causes)
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    # Of each cause: the sets that it is in.
    marginal = np.zeros(len(of_kind))
    for column in range(sets.shape[1]):
        used = sets[:, column] >= 0
        marginal += np.bincount(sets[used, column], weight[used], minlength=len(of_kind))
    marginal = _alike(marginal, of_kind, causes.weights)
    shows_rate = _who_showed(hazard, evidence.survival, background, marginal, terms.calm, causes.late)[:n_incidents]
    return _folded(
        causes,
        sets=sets,
        weight=weight,
        marginal=marginal,
        rate=likelihoods.rate[of_kind],
        shows_rate=shows_rate,
        background=np.exp(log_background - nothing),
    )


def _folded(
    causes: Causes,
    *,
    sets: Int64Array,
    weight: Float64Array,
    marginal: Float64Array,
    rate: Float64Array,
    shows_rate: Float64Array,
    background: Float64Array,
) -> Posterior:
    """Turn what was found of causes into what is said of parts."""
    n_parts = causes.n_parts
    row = np.where(causes.part == OFF_THE_MAP, n_parts, causes.part)
    padded = np.append(row, -1)
    of_parts = padded[sets]
    nothing = float(weight[0])  # the empty set comes first
    by_row = np.zeros((n_parts + 1, len(shows_rate), shows_rate.shape[2]))
    np.add.at(by_row, row, shows_rate.transpose(1, 0, 2))
    off = row == n_parts
    rate_off = marginal[off] @ rate[off] if off.any() else RATE_PRIOR
    chased = marginal @ rate
    shows = np.ascontiguousarray(by_row[:n_parts].sum(axis=2).T)
    return Posterior(
        # Sums of thousands of weights are off by their rounding; no probability is above one.
        marginal=np.minimum(np.bincount(row, marginal)[:n_parts], 1.0),
        nothing=nothing,
        elsewhere=min(nothing + float(weight[np.any(of_parts == n_parts, axis=1)].sum()), 1.0),
        sets=of_parts,
        weight=weight,
        rate=rate[:n_parts],
        rate_off=rate_off / max(rate_off.sum(), 1e-300),
        background=background,
        shows=shows,
        by_hand=_by_hand(causes.evidence, np.minimum(shows_rate.sum(axis=2), marginal).sum(axis=1)),
        shows_rate=by_row[:n_parts].transpose(1, 0, 2),
        earned=quiet_probability(causes.evidence.quiet_s[:n_parts], chased / max(chased.sum(), 1e-300)),
    )


def _by_hand(evidence: Evidence, shown: Float64Array) -> Float64Array:
    """(K,) of what no cause has shown, the share of those who write nothing down.

    Parameters
    ----------
    shown : (K,) that a cause showed; none does more than it is likely to be bad
    """
    if evidence.by_hand is None:
        return np.zeros(len(shown))
    beside = evidence.background @ BACKGROUND_BESIDE + evidence.by_hand
    by_hand: Float64Array = np.maximum(1.0 - shown, 0.0) * evidence.by_hand / np.maximum(beside, 1e-300)
    return by_hand


def _scaled(evidence: Evidence) -> tuple[Float64Array, Float64Array]:
    """Put failed starts behind the incidents, and divide the densities of each incident by their largest.

    So products stay within a double. Of a showing that came within a window, several parts may have been the cause at
    once, as of a failed start: what counts is the probability that it came within that window, not its density.
    """
    starts = evidence.starts
    off = evidence.background if evidence.by_hand is None else evidence.background + evidence.by_hand[:, None]
    alike = np.broadcast_to(starts.background[:, None], (len(starts.background), off.shape[1]))
    top = np.maximum(evidence.hazard.max(axis=(0, 2), initial=0.0), off.max(axis=1))
    if evidence.window_s is not None:
        top = np.maximum(top, 1.0 / evidence.window_s)
    hazard, background = evidence.hazard / top[None, :, None], off / top[:, None]
    return np.concatenate((hazard, starts.hazard), axis=1), np.concatenate((background, alike))


def _alike(marginal: Float64Array, of_kind: Int64Array, weights: Float64Array) -> Float64Array:
    """Make equal to the last digit what is equal by evidence and prior: rounding is not to rank one before another."""
    _, same = np.unique(np.stack((of_kind.astype(np.float64), weights)), axis=1, return_inverse=True)
    same = same.ravel()
    mean: Float64Array = (np.bincount(same, marginal) / np.bincount(same))[same]
    return mean


def _kinds_of_evidence(hazard: Float64Array, survival: Float64Array) -> tuple[Int64Array, Int64Array]:
    """Give one representative part of each kind, and the kind of each part."""
    rows = np.concatenate((hazard.reshape(len(hazard), hazard.shape[1] * hazard.shape[2]), survival), axis=1)
    first: dict[bytes, int] = {}
    of_kind = np.array([first.setdefault(row.tobytes(), len(first)) for row in np.ascontiguousarray(rows)], np.int64)
    representatives = np.array([int(np.flatnonzero(of_kind == k)[0]) for k in range(len(first))], np.int64)
    return representatives, of_kind


@lru_cache(maxsize=8)
def _index_sets(n: int) -> tuple[Int64Array, Int64Array]:
    """All pairs of the first `_MOST_IN_PAIRS`, and all threes of the first `_MOST_IN_THREES`."""
    pairs = np.stack(np.triu_indices(min(n, _MOST_IN_PAIRS), 1), axis=1)
    m = min(n, _MOST_IN_THREES)
    grid = np.arange(m)
    a, b, c = np.meshgrid(grid, grid, grid, indexing="ij", sparse=True)
    threes = np.stack(np.nonzero((a < b) & (b < c)), axis=1)
    return pairs, threes


def _all_sets(of_kind: Int64Array, likelihoods: SetLikelihoods, nothing: float) -> tuple[Int64Array, Float64Array]:
    """Enumerate the sets of causes (S, 3), -1 for none, each with its log likelihood (S,)."""
    n, one = len(of_kind), likelihoods.one
    order = np.argsort(-one[of_kind], kind="stable")  # so that the first ones are those worth taking in threes
    pairs, threes = _index_sets(n)
    pairs, threes = order[pairs], order[threes]
    kinds_of_pairs = of_kind[pairs]
    empty = np.full((1, 3), -1, np.int64)
    singles = np.column_stack((np.arange(n), np.full((n, 2), -1, np.int64)))
    doubles = np.column_stack((pairs, np.full(len(pairs), -1, np.int64)))
    log_l = (
        [nothing],
        one[of_kind],
        likelihoods.pair[kinds_of_pairs[:, 0], kinds_of_pairs[:, 1]],
        likelihoods.three(np.sort(of_kind[threes], axis=1)),
    )
    return np.concatenate((empty, singles, doubles, threes)), np.concatenate(log_l)


def _log_prior(sets: Int64Array, causes: Causes) -> Float64Array:
    size = np.sum(sets >= 0, axis=1)
    padded = np.append(causes.weights, 1.0)  # -1 picks the one at the end
    part = np.append(np.where(causes.part == OFF_THE_MAP, -np.arange(len(causes.part)) - 2, causes.part), -1)[sets]
    twice = (part[:, 0] >= 0) & ((part[:, 0] == part[:, 1]) | (part[:, 0] == part[:, 2]))
    twice |= (part[:, 1] >= 0) & (part[:, 1] == part[:, 2])  # bad from the start and gone bad later is one part
    first = np.append(~causes.late, False)[sets].any(axis=1) | (size == 0)
    product = np.where(twice | ~first, 0.0, padded[sets].prod(axis=1))
    within = np.bincount(size, product, minlength=4)
    share = SET_SIZE_PRIOR / np.maximum(within, 1e-300)
    log_prior: Float64Array = np.log(np.maximum(product * share[size], 1e-300))
    return log_prior


def _who_showed(
    hazard: Float64Array,
    survival: Float64Array,
    background: Float64Array,
    marginal: Float64Array,
    z_weights: Float64Array,
    late: BoolArray,
) -> Float64Array:
    """(K, P, R) which part made each incident, at which rate.

    Every part's rate is judged by the incidents that the others leave to it, at their mean (two rounds settle it).
    """
    n_events = hazard.shape[1]
    if not n_events:
        return np.empty((0, *survival.shape))
    alone = background @ (z_weights / max(z_weights.sum(), 1e-300))  # (K,)
    made = np.zeros((len(hazard), n_events))
    for _ in range(3):
        others = alone[None, :] + made.sum(axis=0)[None, :] - made
        log_l = log_product(hazard[:, k, :] + others[:, k, None] for k in range(n_events))
        log_l += log_or_none(survival * RATE_PRIOR)
        rate = np.exp(log_l - log_sum(log_l, (1,))[:, None])
        made = marginal[:, None] * np.einsum("pkr,pr->pk", hazard, rate)
    share = _at_most(made / np.maximum(alone + made.sum(axis=0), 1e-300), np.where(late, marginal, 1.0))  # (Q, K)
    by_rate = np.einsum("pkr,pr->pkr", hazard, rate)
    within = by_rate / np.maximum(by_rate.sum(axis=2, keepdims=True), 1e-300)
    shown: Float64Array = (share[:, :, None] * within).transpose(1, 0, 2)
    return shown


def _at_most(share: Float64Array, most: Float64Array) -> Float64Array:
    """Hold the shares (Q, K) in each incident to the most that each cause may have; what is over goes to the others.

    A cause that has not been quiet for long may show at any rate, and would claim more than it is likely to be bad.
    """
    held = np.minimum(share, most[:, None])
    free = share < most[:, None]
    none = 1.0 - share.sum(axis=0)
    left = np.where(free, held, 0.0).sum(axis=0) + none
    scale = 1.0 + (share - held).sum(axis=0) / np.maximum(left, 1e-300)
    shared: Float64Array = np.where(free, held * scale, held)
    return shared
