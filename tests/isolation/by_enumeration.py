"""The posterior worked out the long way, to be read beside docs/probabilities.md, "Which part".

Every set of up to three causes, every rate of the grid for each, every background rate; the likelihoods multiplied as
they are written there. It costs 20 to the number of faulty parts and is exact.
"""

from itertools import combinations
from math import prod

import numpy as np

from busdoc.isolation.suspects.rates import BACKGROUND_ALONE, BACKGROUND_BESIDE, RATES_HZ
from busdoc.isolation.suspects.sets.causes import Causes

__all__ = ["posterior_of_sets"]

SIZE_PRIOR = {0: 0.15, 1: 0.72, 2: 0.11, 3: 0.02}
SHARPNESS = 1.08


def posterior_of_sets(causes: Causes) -> dict[tuple[int, ...], float]:
    """Give the probability of every set of causes."""
    prior: dict[tuple[int, ...], float] = {}
    for size, share in SIZE_PRIOR.items():
        odds = {s: prod(causes.weights[list(s)]) for s in combinations(range(len(causes.weights)), size)}
        odds = {s: weight for s, weight in odds.items() if _possible(causes, s)}
        prior |= {s: share * weight / sum(odds.values()) for s, weight in odds.items()}
    weight = {s: p * _likelihood(causes, s) ** SHARPNESS for s, p in prior.items()}
    return {s: w / sum(weight.values()) for s, w in weight.items()}


def _possible(causes: Causes, s: tuple[int, ...]) -> bool:
    """A part is not bad from the start and gone bad late at once; one that went bad late was not the first trouble."""
    parts = [causes.part[q] for q in s if causes.part[q] >= 0]
    return len(parts) == len(set(parts)) and (not s or not all(causes.late[list(s)]))


def _likelihood(causes: Causes, s: tuple[int, ...]) -> float:
    """Sum over the rate of each faulty part, and over the background rate, on the last axis."""
    e, total = causes.evidence, np.ones([len(RATES_HZ)] * len(s) + [len(BACKGROUND_ALONE)])
    by_rate = [np.reshape([-1 if axis == n else 1 for axis in range(len(s) + 1)], -1) for n in range(len(s))]
    for k in range(e.hazard.shape[1]):  # an incident: who made it does not matter, densities add
        off = e.background[k] if e.by_hand is None else e.background[k] + e.by_hand[k]
        total *= off + sum(e.hazard[q, k].reshape(by_rate[n]) for n, q in enumerate(s))
    for m in range(len(e.starts.background)):  # a failed start: each of several may have been enough
        sound = (1.0 - e.starts.hazard[q, m].reshape(by_rate[n]) for n, q in enumerate(s))
        total *= 1.0 - prod(sound, start=np.array(1.0 - e.starts.background[m]))
    for n, q in enumerate(s):  # the quiet, and every rate alike
        total *= e.survival[q].reshape(by_rate[n]) / len(RATES_HZ)
    return float((total @ (e.calm * (BACKGROUND_BESIDE if s else BACKGROUND_ALONE))).sum())
