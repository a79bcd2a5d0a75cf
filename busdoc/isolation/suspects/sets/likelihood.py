"""The likelihood of the record under one, two or three faulty parts whose rates are not known.

Multiplied out, a product over incidents of (one part's hazard + another's + the background) is a sum over all ways to
share the incidents out among those who may have made them. In each way every part has a factor of its own, so the sum
over all their rates together falls apart into sums over the rates of one part:

    m_i(A) = sum over r of prior[r] survival[i, r] prod over k in A of hazard[i, k, r]
    two parts: sum over all ways to part the incidents into A, B and C of m_i(A) m_j(B) m_background(C)

This is exact, all its terms are positive, and it grows with the number of incidents alone. Of a failed start several
may be the cause at once: there the sets need not be apart, only leave no start out.

With many incidents there are too many ways, but then each rate is known well: instead, the product is summed over the
grid of rates for the likeliest kinds of evidence, and for three at once over a part of the grid (`_thinned`).
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["SetLikelihoods", "Terms", "likelihoods_of_sets", "log_or_none", "log_product", "log_sum"]

_MOST_WAYS = 5e7
"""Products for which all ways to share the incidents out are gone through; they take some twentieths of a second
(bound on work)."""
_LOG_MOST = 600.0
"""More is too many whatever they are: its exponential is still a double (IEEE 754-2019)."""
_MOST_PAIRED = 18
"""Beyond them: kinds of evidence that are paired with one another; the others count alone, or silently beside one
(bound on work)."""
_MOST_TRIPLED = 6
"""The same in threes (bound on work)."""
_FEWEST_RATES = 8
"""Of each of three, whatever it costs (bound on work)."""
_MOST_PRODUCTS = 2e7
"""For three at once as many rates of each are tried as this allows, but not fewer than those (bound on work)."""
_WORTH_A_THIRD = 1.0
"""Where no pair explains the record better than its better part alone, by this in the logarithm, no three can (bound
on work)."""
_CHUNK = 24
"""Incidents multiplied before the logarithm is taken: 24 factors of 1e-12 still fit a double (IEEE 754-2019)."""
_SMALLEST = 1e-300
"""In place of zero, so that it has a logarithm: hardly more than a double's least (IEEE 754-2019)."""
_NEVER = -1e9
"""Logarithm of a likelihood that is nil, by definition: finite, so that differences of two of them are."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Terms:
    """What is multiplied: Q kinds of evidence, K incidents and then E failed starts, R rates, Z background rates."""

    hazard: Float64Array
    """(Q, K + E, R) at most about one; of a failed start a probability."""
    survival: Float64Array
    """(Q, R) times the prior of the rate."""
    background: Float64Array
    """(K + E, Z) as `hazard`, of what is off the map."""
    calm: Float64Array
    """(Z,) probability of no further trouble off the map, times the prior of its rate beside a faulty part."""
    n_incidents: int
    """K: densities of an incident add, chances that a start fails overlap."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SetLikelihoods:
    """Logarithms of likelihoods, by the kinds of evidence of the faulty parts."""

    one: Float64Array
    """(Q,)"""
    rate: Float64Array
    """(Q, R) posterior of the rate of one that is faulty alone, sum 1."""
    pair: Float64Array
    """(Q, Q) symmetric; two of one kind on the diagonal."""
    three: Callable[[Int64Array], Float64Array]
    """(n, 3) kinds, ascending in each row, to (n,)."""


def likelihoods_of_sets(terms: Terms) -> SetLikelihoods:
    """Sum over all rates, for every set of up to three kinds of evidence."""
    n_kinds, n_events = terms.hazard.shape[:2]
    one, rate = _one(terms)
    # By their logarithm: the ways to share out a thousand incidents are no double.
    log_ways = terms.n_incidents * math.log(3.0) + (n_events - terms.n_incidents) * math.log(4.0)
    ways = math.exp(min(log_ways, _LOG_MOST))
    if ways * n_kinds**2 <= _MOST_WAYS:
        pair, three = _shared_out(terms)
        return SetLikelihoods(one=one, rate=rate, pair=pair, three=lambda kinds: three[tuple(kinds.T)])
    return _thinned(terms, one, rate)


def log_or_none(values: Float64Array) -> Float64Array:
    """Give logarithms; of zero, minus infinity, which is what a factor of zero is in a sum of them."""
    with np.errstate(divide="ignore"):
        logarithms: Float64Array = np.log(values)
    return logarithms


def log_sum(log_values: Float64Array, axes: tuple[int, ...]) -> Float64Array:
    """Give the logarithm of the sum over axes of what is given by logarithms."""
    top = np.maximum(log_values.max(axis=axes, keepdims=True), _NEVER)
    summed = np.exp(log_values - top).sum(axis=axes)
    result: Float64Array = np.maximum(log_or_none(summed) + top.reshape(summed.shape), _NEVER)
    return result


def log_product(factors: Iterable[Float64Array]) -> Float64Array:
    """Give the logarithm of the product of positive arrays, multiplying many before each logarithm.

    They come one after the other, so that the running product stays in the processor's cache.
    """
    total: Float64Array | None = None
    part: Float64Array | None = None
    for k, factor in enumerate(factors, start=1):
        part = factor if part is None else np.multiply(part, factor, out=part)
        if k % _CHUNK == 0:
            log_part = np.log(np.maximum(part, _SMALLEST))
            total, part = log_part if total is None else total + log_part, None
    if part is not None:
        log_part = np.log(np.maximum(part, _SMALLEST))
        total = log_part if total is None else total + log_part
    assert total is not None
    return total


def _one(terms: Terms) -> tuple[Float64Array, Float64Array]:
    """(Q,) log likelihood of each kind alone; (Q, R) posterior of its rate then."""
    h, n_events = terms.hazard, terms.hazard.shape[1]
    log_l = log_or_none(terms.survival)[:, :, None] + log_or_none(terms.calm)  # (Q, R, Z)
    if n_events:
        log_l = log_l + log_product(_either(terms, k, h[:, k, :, None], terms.background[k]) for k in range(n_events))
    one = log_sum(log_l, (1, 2))
    by_rate = np.exp(log_sum(log_l, (2,)) - one[:, None])
    return one, np.where(one[:, None] > _NEVER, by_rate, 1.0 / h.shape[2])


def _either(terms: Terms, k: int, one: Float64Array, other: Float64Array) -> Float64Array:
    """Give what two causes give together of event k: one that fails a start for sure makes another no surer."""
    return one + other if k < terms.n_incidents else one + other - one * other


# All ways to share the incidents out


def _shared_out(terms: Terms) -> tuple[Float64Array, Float64Array]:
    """(Q, Q) and (Q, Q, Q) log likelihoods of two and of three, exact; of the latter where the kinds ascend.

    A set of events is a number here, one bit for each.
    """
    splits = _splits(terms.n_incidents, terms.hazard.shape[1] - terms.n_incidents)
    # What each kind, and the background, gives for every set of events that it may have made.
    own = _moments(terms, terms.hazard, terms.survival)  # (Q, sets)
    off = _moments(terms, terms.background[None], terms.calm[None])[0]  # (sets,)
    # The same for a kind with the background beside it, then for two kinds.
    beside = np.stack([own[:, a] @ off[b] for a, b in splits], axis=1)  # (Q, sets)
    two = np.stack([own[:, a] @ beside[:, b].T for a, b in splits])  # (sets, Q, Q)
    pair = np.triu(two[-1]) + np.triu(two[-1], 1).T
    # A third has made what the two have not.
    rest = np.zeros_like(own).T
    a, b = splits[-1]
    np.add.at(rest, a, own.T[b])  # (sets, Q)
    three = np.tensordot(two, rest, axes=(0, 0))  # (Q, Q, Q)
    return np.maximum(log_or_none(pair), _NEVER), np.maximum(log_or_none(three), _NEVER)


def _moments(terms: Terms, hazard: Float64Array, weights: Float64Array) -> Float64Array:
    """(n, sets) sum over the last axis of weights times the hazards of the events of each set.

    Of a failed start outside the set also that this was not the cause of it, so that no way is counted twice.
    """
    table = weights[:, :, None]  # (n, rates, sets), doubled by each event
    for k in range(hazard.shape[1]):
        made = hazard[:, k, :, None]
        table = np.concatenate((table if k < terms.n_incidents else table * (1.0 - made), table * made), axis=2)
    moments: Float64Array = table.sum(axis=1)
    return moments


@lru_cache(maxsize=16)
def _splits(n_incidents: int, n_starts: int) -> tuple[tuple[Int64Array, Int64Array], ...]:
    """For every set of events: the pairs of sets that make it up.

    An incident is in one of the two, a failed start in one of them or in both.
    """
    splits = [(np.zeros(1, np.int64), np.zeros(1, np.int64))]
    for k in range(n_incidents + n_starts):
        bit, both = 1 << k, k >= n_incidents
        for a, b in splits[:]:
            here = [(a | bit, b), (a, b | bit), *([(a | bit, b | bit)] if both else [])]
            splits.append((np.concatenate([x for x, _ in here]), np.concatenate([y for _, y in here])))
    return tuple(splits)


# Many incidents


def _thinned(terms: Terms, one: Float64Array, rate: Float64Array) -> SetLikelihoods:
    """Sum the products over the grid of rates, for those kinds that matter.

    Sets of three are split by which of their parts made at least one incident: where only two did, the third's
    survival is a factor; where all three did, the sum is made over the likeliest kinds and rates.
    """
    silent = np.maximum(log_or_none(terms.survival.sum(axis=1)), _NEVER)
    nothing = float(log_sum(log_or_none(terms.background).sum(axis=0) + log_or_none(terms.calm), (0,)))
    pair = _pairs(terms, one, nothing, silent)
    alone = np.logaddexp(one[:, None] + silent[None, :], one[None, :] + silent[:, None])
    several = float((pair - alone).max(initial=0.0)) > _WORTH_A_THIRD
    found = _threes(terms, one, pair, rate) if several else {}
    overlap = terms.n_incidents < terms.hazard.shape[1]

    def three(kinds: Int64Array) -> Float64Array:
        log_three = _third_silent(kinds, one, pair, nothing, silent, overlap=overlap)
        known = np.array([found.get((int(a), int(b), int(c)), -np.inf) for a, b, c in kinds])
        log_l: Float64Array = np.maximum(log_three, known)
        return log_l

    return SetLikelihoods(one=one, rate=rate, pair=pair, three=three)


def _pairs(terms: Terms, one: Float64Array, nothing: float, silent: Float64Array) -> Float64Array:
    """(Q, Q) log likelihood of two faulty parts."""
    h, log_s = terms.hazard, log_or_none(terms.survival)
    # One of them silent: exact but for the incidents that both made, and for those that overlap.
    either = (one[:, None] + silent[None, :], one[None, :] + silent[:, None])
    if terms.n_incidents < h.shape[1]:
        pair = np.maximum(*either)
    else:
        pair = _log_minus(np.logaddexp(*either), nothing + silent[:, None] + silent[None, :])
    # The whole sum for those that are likely to have made incidents.
    chosen = _likeliest(one, h, _MOST_PAIRED)
    for n, i in enumerate(chosen):
        others = chosen[n:]
        log_l = log_product(
            _either(
                terms,
                k,
                h[others, k, None, :, None],
                _either(terms, k, h[i, k, None, :, None, None], terms.background[k]),
            )
            for k in range(h.shape[1])
        )  # (others, R of i, R of the other, Z)
        log_l += log_s[i][None, :, None, None] + log_s[others][:, None, :, None] + log_or_none(terms.calm)
        pair[i, others] = pair[others, i] = log_sum(log_l, (1, 2, 3))
    return pair


def _threes(
    terms: Terms, one: Float64Array, pair: Float64Array, rate: Float64Array
) -> dict[tuple[int, int, int], float]:
    """Log likelihood of three faulty parts of which each made an incident, for the likeliest kinds."""
    h, n_events = terms.hazard, terms.hazard.shape[1]
    gain = (pair - np.maximum(one[:, None], one[None, :])).max(axis=1) + one
    chosen = np.sort(np.argsort(-gain, kind="stable")[:_MOST_TRIPLED])
    # Of what three share, each shows at a lower rate than it would alone: from the next higher rate down.
    n_threes = math.comb(len(chosen) + 2, 3)
    fits = int((_MOST_PRODUCTS / (n_threes * n_events * len(terms.calm))) ** (1 / 3))
    n_rates = min(max(fits, _FEWEST_RATES), h.shape[2])
    first = np.clip(np.argmax(rate, axis=1) - n_rates + 2, 0, h.shape[2] - n_rates)
    window = first[:, None] + np.arange(n_rates)
    near = np.take_along_axis(h, window[:, None, :], axis=2)
    log_s = log_or_none(np.take_along_axis(terms.survival, window, axis=1))
    found: dict[tuple[int, int, int], float] = {}
    for n, i in enumerate(chosen):
        for j in chosen[n:]:
            others = chosen[chosen >= j]
            two = [
                _either(
                    terms,
                    k,
                    _either(terms, k, near[i, k, :, None, None, None], near[j, k, None, :, None, None]),
                    terms.background[k],
                )
                for k in range(n_events)
            ]
            log_l = log_product(
                _either(terms, k, two[k][None], near[others, k][:, None, None, :, None]) for k in range(n_events)
            )
            log_l += log_s[i][None, :, None, None, None] + log_s[j][None, None, :, None, None]
            log_l += log_s[others][:, None, None, :, None] + log_or_none(terms.calm)
            for q, log_three in zip(others, log_sum(log_l, (1, 2, 3, 4)), strict=True):
                found[int(i), int(j), int(q)] = float(log_three)
    return found


def _third_silent(
    kinds: Int64Array, one: Float64Array, pair: Float64Array, nothing: float, silent: Float64Array, *, overlap: bool
) -> Float64Array:
    """(n,) log likelihood of three of which at most two made incidents."""
    a, b, c = kinds.T
    two = [pair[a, b] + silent[c], pair[a, c] + silent[b], pair[b, c] + silent[a]]
    if overlap:  # a start that failed for two reasons would be counted twice: at least this much
        most: Float64Array = np.max(two, axis=0)
        return most
    # Each pair with the third silent, less what is counted twice: one with the two others silent, and so on.
    twice = [one[a] + silent[b] + silent[c], one[b] + silent[a] + silent[c], one[c] + silent[a] + silent[b]]
    plus = np.logaddexp(np.logaddexp.reduce(two, axis=0), nothing + silent[a] + silent[b] + silent[c])
    return _log_minus(plus, np.logaddexp.reduce(twice, axis=0))


def _likeliest(one: Float64Array, h: Float64Array, most: int) -> Int64Array:
    """Choose kinds for pairing: the likeliest alone, and for each incident those that explain it best."""
    score = np.argsort(np.argsort(-one, kind="stable"), kind="stable")
    for k in range(h.shape[1]):
        score = np.minimum(score, np.argsort(np.argsort(-h[:, k].max(axis=1), kind="stable"), kind="stable"))
    return np.sort(np.argsort(score, kind="stable")[:most])


def _log_minus(log_a: Float64Array, log_b: Float64Array) -> Float64Array:
    """log(a - b), for a at least about b."""
    difference: Float64Array = log_a + np.log(np.maximum(-np.expm1(np.minimum(log_b - log_a, 0.0)), 1e-12))
    return difference
