"""What a test is worth: entropy before it, and entropy to be expected after it.

After J. de Kleer, B. C. Williams, Diagnosing multiple faults, Artificial Intelligence 32 (1987) 97-130: the best
next observation is the one after which the expected entropy over the candidates is lowest.
"""

import math

import numpy as np

from busdoc.arrays import Float64Array

__all__ = ["entropy_bit", "expected_entropy_bit", "fewest_tests", "gain_bit", "one_at_a_time_tests", "two_way_gain_bit"]


def entropy_bit(weights: Float64Array) -> float:
    """Give the entropy of a distribution (n,), bits; it need not be normalised."""
    total = float(weights.sum())
    share = weights[weights > 0.0] / total
    return float(-(share * np.log2(share)).sum()) if total > 0.0 else 0.0


def expected_entropy_bit(weights: Float64Array, outcomes: Float64Array) -> float:
    """Give the entropy over candidates that is to be expected after an observation.

    Parameters
    ----------
    weights : (n,) probabilities of the candidates
    outcomes : (n, m) probability of each outcome, were the candidate true; rows sum to 1
    """
    joint = weights[:, None] * outcomes
    chance = joint.sum(axis=0)
    return float(sum(chance[m] * entropy_bit(joint[:, m]) for m in range(len(chance))) / chance.sum())


def gain_bit(weights: Float64Array, outcomes: Float64Array) -> float:
    """Give the expected information of an observation about the candidates, bits."""
    return entropy_bit(weights) - expected_entropy_bit(weights, outcomes)


def two_way_gain_bit(weights: Float64Array, trouble: Float64Array) -> Float64Array:
    """Give `gain_bit` of many tests with two outcomes at once.

    Parameters
    ----------
    weights : (n,) probabilities of the candidates, sum 1
    trouble : (..., n) probability of trouble, were the candidate true

    Returns
    -------
    (...,) float64
    """
    gain: Float64Array = _binary_entropy(trouble @ weights) - _binary_entropy(trouble) @ weights
    return np.maximum(gain, 0.0)


def _binary_entropy(p: Float64Array) -> Float64Array:
    q = np.clip(p, 1e-15, 1.0 - 1e-15)
    entropy: Float64Array = -(q * np.log2(q) + (1.0 - q) * np.log2(1.0 - q))
    return entropy


def fewest_tests(n: int, faults: int = 1) -> int:
    """Give how many two-way group tests are needed at least to find exactly so many faults among n parts.

    The information bound, ceil(log2 C(n, d)); see D.-Z. Du, F. K. Hwang, Combinatorial Group Testing.

    >>> fewest_tests(8), fewest_tests(12), fewest_tests(16, 2)
    (3, 4, 7)
    """
    return (math.comb(n, faults) - 1).bit_length()


def one_at_a_time_tests(n: int) -> float:
    """Give how many tests restoring one branch after another takes on average with one hard fault among n.

    The last branch needs none: (n - 1)(n + 2) / 2n.

    >>> [one_at_a_time_tests(n) for n in (4, 8)]
    [2.25, 4.375]
    """
    return (n - 1) * (n + 2) / (2 * n)
