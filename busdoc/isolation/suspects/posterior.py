"""The posterior over sets of up to three faulty parts and their rates, by enumeration.

With S the set of faulty parts, r their rates and z the background rate, the record has the likelihood

    prod over incidents k of (sum over i in S of hazard[i, k, r_i] + background[k, z])
    times prod over i in S of survival[i, r_i], times calm[z]

summed over the grids of r and z. Failed starts stand behind the incidents; theirs are probabilities and no densities,
so of several causes each may have been enough: 1 - prod (1 - hazard), where two that are sure make it no surer.

Parts whose evidence is the same to the last digit (branches that were never told apart) are worked out once. Sets of
three are split by which of their parts made at least one incident: where only two did, the third's survival is a
factor, which is exact; where all three did, the sum is made over the likeliest parts.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.causes import OFF_THE_MAP, Causes
from busdoc.isolation.suspects.evidence import Evidence
from busdoc.isolation.suspects.prior import SET_SIZE_PRIOR
from busdoc.isolation.suspects.rates import BACKGROUND_ALONE, BACKGROUND_BESIDE, RATE_PRIOR, quiet_probability

__all__ = ["Posterior", "weigh_sets"]

_MOST_PAIRED = 18
"""Kinds of evidence that are paired with one another; beyond it a part counts alone, or silently beside others."""
_MOST_TRIPLED = 6
_WINDOW = 8
"""Rates that are tried for each of three."""
_WORTH_A_THIRD = 1.0
"""Where no pair explains the record better than its better part alone, by this in the logarithm, no three can."""
_MOST_IN_THREES = 60
_SHARPNESS = 1.08
"""Every doubt of the evidence errs to the side of caution, and together they leave what is said four points below what
is true (simulated sessions, from 50 % up). One exponent takes half of that back: temperature scaling, Guo, Pleiss, Sun
and Weinberger, On calibration of modern neural networks, ICML 2017. The other half is kept, as caution."""
_CHUNK = 24
"""Incidents multiplied before the logarithm is taken: 24 factors of 1e-12 still fit a double (IEEE 754-2019)."""


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
    shows_rate: Float64Array
    """(K, P, R) the same, by the rate at which it shows; sums to `shows`."""
    earned: Float64Array
    """(P,) probability that a fault like the one that is chased stays quiet for as long as the part was exposed."""


def weigh_sets(causes: Causes) -> Posterior:
    """Work the posterior out."""
    evidence = causes.evidence
    hazard, background = _scaled(evidence)
    kinds, of_kind = _kinds_of_evidence(hazard, evidence.survival)
    h, s = hazard[kinds], evidence.survival[kinds] * RATE_PRIOR
    silent = s.sum(axis=1)
    none = np.log(np.maximum(background, 1e-300)).sum(axis=0)
    nothing_alone = _log_dot(none, evidence.calm * BACKGROUND_ALONE)
    nothing_beside = _log_dot(none, evidence.calm * BACKGROUND_BESIDE)
    z_weights = evidence.calm * BACKGROUND_BESIDE
    n_incidents = evidence.hazard.shape[1]
    one, by_rate = _singles(h, s, background, z_weights, n_incidents)
    pair = _pairs(h, s, background, z_weights, one, nothing_beside, silent, n_incidents)
    alone = np.logaddexp(one[:, None] + np.log(silent)[None, :], one[None, :] + np.log(silent)[:, None])
    several = float((pair - alone).max(initial=0.0)) > _WORTH_A_THIRD
    triple = _triples(h, s, background, z_weights, one, pair, by_rate, n_incidents) if several else {}
    sets, log_l = _all_sets(of_kind, one, pair, triple, nothing_alone, nothing_beside, silent)
    log_w = _SHARPNESS * log_l + _log_prior(sets, causes)
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    marginal = np.zeros(len(of_kind))
    for column in range(sets.shape[1]):
        used = sets[:, column] >= 0
        marginal += np.bincount(sets[used, column], weight[used], minlength=len(of_kind))
    shows_rate = _who_showed(hazard, evidence.survival, background, marginal, z_weights, causes.late)[:n_incidents]
    alone_z = np.exp(none - none.max()) * evidence.calm * BACKGROUND_ALONE
    return _folded(
        causes,
        sets=sets,
        weight=weight,
        marginal=marginal,
        rate=by_rate[of_kind],
        shows_rate=shows_rate,
        background=alone_z / max(alone_z.sum(), 1e-300),
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
    nothing = float(weight[np.all(sets < 0, axis=1)].sum())
    by_row = np.zeros((n_parts + 1, len(shows_rate), shows_rate.shape[2]))
    np.add.at(by_row, row, shows_rate.transpose(1, 0, 2))
    off = row == n_parts
    rate_off = marginal[off] @ rate[off] if off.any() else RATE_PRIOR
    chased = marginal @ rate
    return Posterior(
        marginal=np.asarray(np.bincount(row, marginal, minlength=n_parts + 1)[:n_parts], np.float64),
        nothing=nothing,
        elsewhere=nothing + float(weight[np.any(of_parts == n_parts, axis=1)].sum()),
        sets=of_parts,
        weight=weight,
        rate=rate[:n_parts],
        rate_off=rate_off / max(rate_off.sum(), 1e-300),
        background=background,
        shows=np.ascontiguousarray(by_row[:n_parts].sum(axis=2).T),
        shows_rate=by_row[:n_parts].transpose(1, 0, 2),
        earned=quiet_probability(causes.evidence.quiet_s[:n_parts], chased / max(chased.sum(), 1e-300)),
    )


def _scaled(evidence: Evidence) -> tuple[Float64Array, Float64Array]:
    """Put failed starts behind the incidents, and divide the densities of each incident by their largest.

    So products stay within a double.
    """
    starts = evidence.starts
    alike = np.broadcast_to(starts.background[:, None], (len(starts.background), evidence.background.shape[1]))
    hazard, background = evidence.hazard, evidence.background
    if hazard.shape[1]:
        top = np.maximum(hazard.max(axis=(0, 2), initial=0.0), background.max(axis=1))
        hazard, background = hazard / top[None, :, None], background / top[:, None]
    return np.concatenate((hazard, starts.hazard), axis=1), np.concatenate((background, alike))


def _either(one: Float64Array, other: Float64Array, k: int, n_incidents: int) -> Float64Array:
    """Give what two causes give together of row k: densities of an incident add, chances that a start fails overlap."""
    return one + other if k < n_incidents else one + other - one * other


def _kinds_of_evidence(hazard: Float64Array, survival: Float64Array) -> tuple[Int64Array, Int64Array]:
    """Give one representative part of each kind, and the kind of each part."""
    rows = np.concatenate((hazard.reshape(len(hazard), hazard.shape[1] * hazard.shape[2]), survival), axis=1)
    first: dict[bytes, int] = {}
    of_kind = np.array([first.setdefault(row.tobytes(), len(first)) for row in np.ascontiguousarray(rows)], np.int64)
    representatives = np.array([int(np.flatnonzero(of_kind == k)[0]) for k in range(len(first))], np.int64)
    return representatives, of_kind


def _log_dot(log_values: Float64Array, weights: Float64Array) -> float:
    top = float(log_values.max())
    return top + float(np.log(np.maximum(np.exp(log_values - top) @ weights, 1e-300)))


def _product(terms: Iterable[Float64Array]) -> Float64Array:
    """Give the logarithm of the product of positive arrays, multiplying many before each logarithm.

    Terms come one after the other, so that the running product stays in the processor's cache.
    """
    total: Float64Array | None = None
    part: Float64Array | None = None
    for k, term in enumerate(terms, start=1):
        part = term if part is None else np.multiply(part, term, out=part)
        if k % _CHUNK == 0:
            log_part = np.log(np.maximum(part, 1e-300))
            total, part = log_part if total is None else total + log_part, None
    if part is not None:
        log_part = np.log(np.maximum(part, 1e-300))
        total = log_part if total is None else total + log_part
    assert total is not None
    return total


def _summed(log_values: Float64Array, axes: tuple[int, ...], weights: Float64Array) -> Float64Array:
    """Logarithm of the weighted sum over axes, safe against underflow."""
    top = log_values.max(axis=axes, keepdims=True)
    summed = (np.exp(log_values - top) * weights).sum(axis=axes)
    result: Float64Array = np.log(np.maximum(summed, 1e-300)) + top.reshape(summed.shape)
    return result


def _singles(
    h: Float64Array, s: Float64Array, background: Float64Array, z_weights: Float64Array, n_incidents: int
) -> tuple[Float64Array, Float64Array]:
    """(Q,) log likelihood of each kind alone; (Q, R) posterior of its rate then."""
    n_events = h.shape[1]
    if not n_events:
        return np.log(s.sum(axis=1) * z_weights.sum()), s / s.sum(axis=1, keepdims=True)
    log_l = _product(_either(h[:, k, :, None], background[k], k, n_incidents) for k in range(n_events))  # (Q, R, Z)
    weights = s[:, :, None] * z_weights
    top = log_l.max(axis=(1, 2), keepdims=True)
    by_rate = (np.exp(log_l - top) * weights).sum(axis=2)
    total = np.maximum(by_rate.sum(axis=1, keepdims=True), 1e-300)
    return np.log(total[:, 0]) + top[:, 0, 0], by_rate / total


def _pairs(
    h: Float64Array,
    s: Float64Array,
    background: Float64Array,
    z_weights: Float64Array,
    one: Float64Array,
    nothing: float,
    silent: Float64Array,
    n_incidents: int,
) -> Float64Array:
    """(Q, Q) log likelihood of two faulty parts, one of each kind (or both of one)."""
    pair = np.logaddexp(one[:, None] + np.log(silent)[None, :], one[None, :] + np.log(silent)[:, None])
    pair = _log_minus(pair, nothing + np.log(silent)[:, None] + np.log(silent)[None, :])
    n_events = h.shape[1]
    if n_events < 2:
        return pair
    chosen = _likeliest(one, h, _MOST_PAIRED)
    few, z_few = _fewer(z_weights)
    bz = background[:, None, None, few]
    for a, i in enumerate(chosen):
        others = chosen[a:]
        terms = (
            _either(
                h[others, k, None, :, None],
                _either(h[i, k, None, :, None, None], bz[k], k, n_incidents),
                k,
                n_incidents,
            )
            for k in range(n_events)
        )
        log_l = _product(terms)  # (others, R of i, R of j, Z)
        weights = s[i][None, :, None, None] * s[others][:, None, :, None] * z_few
        pair[i, others] = pair[others, i] = _summed(log_l, (1, 2, 3), weights)
    return pair


def _fewer(z_weights: Float64Array) -> tuple[slice, Float64Array]:
    """Take every second background rate: beside faulty parts it matters little."""
    few = slice(0, None, 2)
    half = z_weights[few]
    return few, half * (z_weights.sum() / max(half.sum(), 1e-300))


def _triples(
    h: Float64Array,
    s: Float64Array,
    background: Float64Array,
    z_weights: Float64Array,
    one: Float64Array,
    pair: Float64Array,
    by_rate: Float64Array,
    n_incidents: int,
) -> dict[tuple[int, int, int], float]:
    """Log likelihood of three faulty parts of which each made an incident, for the likeliest kinds."""
    n_events = h.shape[1]
    found: dict[tuple[int, int, int], float] = {}
    if n_events < 3:
        return found
    gain = (pair - np.maximum(one[:, None], one[None, :])).max(axis=1) + one
    chosen = np.sort(np.argsort(-gain, kind="stable")[:_MOST_TRIPLED])
    # Of what three share, each shows at a lower rate than it would alone: rates down to a decade and a half below.
    first = np.clip(np.argmax(by_rate, axis=1) - _WINDOW + 2, 0, h.shape[2] - _WINDOW)
    window = first[:, None] + np.arange(_WINDOW)
    near = np.take_along_axis(h, window[:, None, :], axis=2)
    near_s = np.take_along_axis(s, window, axis=1)
    few, z = _fewer(z_weights)
    for a, i in enumerate(chosen):
        for j in chosen[a:]:
            others = chosen[chosen >= j]
            two = [
                _either(
                    _either(near[i, k, :, None, None, None], near[j, k, None, :, None, None], k, n_incidents),
                    background[k, few],
                    k,
                    n_incidents,
                )
                for k in range(n_events)
            ]
            terms = (
                _either(two[k][None], near[others, k][:, None, None, :, None], k, n_incidents) for k in range(n_events)
            )
            log_l = _product(terms)
            weights = (
                near_s[i][None, :, None, None, None]
                * near_s[j][None, None, :, None, None]
                * near_s[others][:, None, None, :, None]
                * z
            )
            for q, log_three in zip(others, _summed(log_l, (1, 2, 3, 4), weights), strict=True):
                found[int(i), int(j), int(q)] = float(log_three)
    return found


def _likeliest(one: Float64Array, h: Float64Array, most: int) -> Int64Array:
    """Choose kinds for pairing: the likeliest alone, and for each incident those that explain it best."""
    if len(one) <= most:
        return np.arange(len(one))
    score = np.argsort(np.argsort(-one, kind="stable"), kind="stable")
    for k in range(h.shape[1]):
        score = np.minimum(score, np.argsort(np.argsort(-h[:, k].max(axis=1), kind="stable"), kind="stable"))
    return np.sort(np.argsort(score, kind="stable")[:most])


def _log_minus(log_a: Float64Array, log_b: Float64Array) -> Float64Array:
    """log(a - b), for a at least about b."""
    difference: Float64Array = log_a + np.log(np.maximum(-np.expm1(np.minimum(log_b - log_a, 0.0)), 1e-12))
    return difference


@lru_cache(maxsize=8)
def _index_sets(n: int) -> tuple[Int64Array, Int64Array]:
    """All pairs of n, and all threes of the first `_MOST_IN_THREES`."""
    pairs = np.stack(np.triu_indices(n, 1), axis=1)
    m = min(n, _MOST_IN_THREES)
    grid = np.arange(m)
    a, b, c = np.meshgrid(grid, grid, grid, indexing="ij", sparse=True)
    threes = np.stack(np.nonzero((a < b) & (b < c)), axis=1)
    return pairs, threes


def _all_sets(
    of_kind: Int64Array,
    one: Float64Array,
    pair: Float64Array,
    triple: dict[tuple[int, int, int], float],
    nothing_alone: float,
    nothing: float,
    silent: Float64Array,
) -> tuple[Int64Array, Float64Array]:
    """Enumerate the sets by parts, each with its log likelihood."""
    n = len(of_kind)
    order = np.argsort(-one[of_kind], kind="stable")  # so that the first ones are those worth taking in threes
    pairs, threes = _index_sets(n)
    pairs, threes = order[pairs], order[threes]
    kp, kt = of_kind[pairs], of_kind[threes]
    log_pair = pair[kp[:, 0], kp[:, 1]]
    m = np.log(silent)
    a, b, c = kt.T
    # Exact where at most two of the three made incidents: each pair with the third silent, less what is counted twice.
    terms = [(pair[a, b] + m[c]), (pair[a, c] + m[b]), (pair[b, c] + m[a])]
    twice = [(one[a] + m[b] + m[c]), (one[b] + m[a] + m[c]), (one[c] + m[a] + m[b])]
    plus = np.logaddexp(np.logaddexp.reduce(terms, axis=0), nothing + m[a] + m[b] + m[c]) if len(kt) else np.zeros(0)
    log_three = _log_minus(plus, np.logaddexp.reduce(twice, axis=0)) if len(kt) else np.zeros(0)
    if triple:
        sorted_kinds = np.sort(kt, axis=1)
        q = len(one)
        code = (sorted_kinds[:, 0] * q + sorted_kinds[:, 1]) * q + sorted_kinds[:, 2]
        codes = np.array([(i * q + j) * q + k for i, j, k in triple], np.int64)
        values = np.array(list(triple.values()))
        by_code = np.argsort(codes)
        at = np.minimum(np.searchsorted(codes[by_code], code), len(codes) - 1)
        known = codes[by_code][at] == code
        log_three = np.where(known, np.maximum(values[by_code][at], log_three), log_three)
    empty = np.full((1, 3), -1, np.int64)
    singles = np.column_stack((np.arange(n), np.full((n, 2), -1, np.int64)))
    doubles = np.column_stack((pairs, np.full(len(pairs), -1, np.int64)))
    sets = np.concatenate((empty, singles, doubles, threes))
    log_l = np.concatenate(([nothing_alone], one[of_kind], log_pair, log_three))
    return sets, log_l


def _log_prior(sets: Int64Array, causes: Causes) -> Float64Array:
    size = np.sum(sets >= 0, axis=1)
    padded = np.append(causes.weights, 1.0)  # -1 picks the one at the end
    part = np.append(np.where(causes.part == OFF_THE_MAP, -np.arange(len(causes.part)) - 2, causes.part), -1)[sets]
    twice = (part[:, 0] >= 0) & ((part[:, 0] == part[:, 1]) | (part[:, 0] == part[:, 2]))
    twice |= (part[:, 1] >= 0) & (part[:, 1] == part[:, 2])  # bad from the start and gone bad later is one part
    first = np.append(~causes.late, False)[sets].any(axis=1) | (size == 0)
    product = np.where(twice | ~first, 0.0, padded[sets].prod(axis=1))
    within = np.bincount(size, product, minlength=4)
    share = np.divide(SET_SIZE_PRIOR, within, out=np.zeros(4), where=within > 0.0)
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
    rate = survival * RATE_PRIOR
    if not n_events:
        return np.zeros((0, *survival.shape))
    rate = rate / np.maximum(rate.sum(axis=1, keepdims=True), 1e-300)
    alone = background @ (z_weights / max(z_weights.sum(), 1e-300))  # (K,)
    made = np.zeros((len(hazard), n_events))
    for _ in range(3):
        others = alone[None, :] + made.sum(axis=0)[None, :] - made
        log_l = _product(hazard[:, k, :] + others[:, k, None] for k in range(n_events))
        rate = np.exp(log_l - log_l.max(axis=1, keepdims=True)) * survival * RATE_PRIOR
        rate /= np.maximum(rate.sum(axis=1, keepdims=True), 1e-300)
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
