"""Tolerance bounds: a limit that a given share of all healthy values stays below, from the few that were seen.

One-sided, since a controller that returns early is no trouble. With few values a normal spread is assumed; with many
the largest one seen is a bound whatever the spread.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["ToleranceBound", "normal_factor", "normal_factor_by_formula", "upper_bound", "wilks_confidence", "wilks_n"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceBound:
    """An upper bound and how it was found."""

    bound: float
    n: int
    """Values that it rests on."""
    coverage: float
    """Share of all healthy values that stay below it …"""
    confidence: float
    """… with this confidence."""
    distribution_free: bool
    """It is the largest value seen; else a normal spread is assumed."""


def normal_factor(n: int, coverage: float, confidence: float) -> float:
    """Give k such that mean + k standard deviations covers a share of a normal population.

    Parameters
    ----------
    n : values that mean and standard deviation come from, at least 2
    coverage, confidence : between 0 and 1

    Raises
    ------
    ValueError : when a parameter is out of its range

    Notes
    -----
    Exact, by the noncentral t distribution (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3).
    """
    _check(n, coverage, confidence)
    from scipy.stats import nct, norm  # 0.6 s

    shift = float(norm.ppf(coverage)) * math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)


def normal_factor_by_formula(n: int, coverage: float, confidence: float) -> float:
    """Give the same factor by the formula for hand calculators, slightly off for small n.

    Raises
    ------
    ValueError : when a parameter is out of its range, or the values are too few for the formula

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (after Natrella 1963).
    """
    _check(n, coverage, confidence)
    from statistics import NormalDist

    z_coverage, z_confidence = NormalDist().inv_cdf(coverage), NormalDist().inv_cdf(confidence)
    a = 1.0 - z_confidence**2 / (2.0 * (n - 1))
    b = z_coverage**2 - z_confidence**2 / n
    if a <= 0.0 or z_coverage**2 < a * b:
        raise ValueError(f"{n} values are too few for the formula")
    return (z_coverage + math.sqrt(z_coverage**2 - a * b)) / a


def wilks_n(coverage: float, confidence: float) -> int:
    """Give how many values it takes until the largest one is a bound, whatever the spread (Wilks 1941).

    >>> wilks_n(0.95, 0.95), wilks_n(0.99, 0.95), wilks_n(0.99, 0.99)
    (59, 299, 459)
    """
    _check(2, coverage, confidence)
    return math.ceil(math.log1p(-confidence) / math.log(coverage))


def wilks_confidence(n: int, coverage: float) -> float:
    """Give with what confidence the largest of n values covers a share of all (Wilks 1941)."""
    _check(max(n, 2), coverage, 0.5)
    return 1.0 - coverage**n


def upper_bound(values: Sequence[float], *, coverage: float = 0.99, confidence: float = 0.95) -> ToleranceBound | None:
    """Bound healthy values from above; None from fewer than three, which say next to nothing of a spread.

    The largest value where there are enough of them, else mean + k standard deviations, and never below the largest.
    """
    n = len(values)
    if n < _FEWEST:
        return None
    largest = max(values)
    free = n >= wilks_n(coverage, confidence)
    bound = largest
    if not free:
        mean = math.fsum(values) / n
        spread = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1))
        bound = max(largest, mean + normal_factor(n, coverage, confidence) * spread)
    return ToleranceBound(bound=bound, n=n, coverage=coverage, confidence=confidence, distribution_free=free)


_FEWEST = 3
"""With two values the factor is 37 (99 % coverage, 95 % confidence): a limit that nothing ever fails."""


def _check(n: int, coverage: float, confidence: float) -> None:
    if n < 2:
        raise ValueError(f"at least 2 values are needed, got {n}")
    if not (0.0 < coverage < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(f"coverage and confidence lie between 0 and 1, got {coverage} and {confidence}")
