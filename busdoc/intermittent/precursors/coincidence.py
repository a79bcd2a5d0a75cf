"""Event coincidence analysis: whether events of one kind come before events of another more often than chance.

J. F. Donges, C.-F. Schleussner, J. F. Siegmund, R. V. Donner, Eur. Phys. J. Special Topics 225 (2016) 471-487. The
paper's null takes both kinds for Poisson processes and overstates the coverage where windows overlap; for causes that
are given, the union of their windows is exact. Both are here; the search (`antecedent_scan`) uses the union.
"""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.dropouts import Watched

__all__ = [
    "Coincidence",
    "PoissonNull",
    "at_least",
    "coincide",
    "covered_share",
    "greatest_attained",
    "poisson_null",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coincidence:
    """Which effects had a cause before them, and which causes an effect after them."""

    preceded: BoolArray
    """(n,) effects."""
    followed: BoolArray
    """(m,) causes."""

    @property
    def precursor_rate(self) -> float:
        """Share of the effects with a cause before them; 0 where there are none."""
        return float(self.preceded.mean()) if len(self.preceded) else 0.0

    @property
    def trigger_rate(self) -> float:
        """Share of the causes with an effect after them; 0 where there are none."""
        return float(self.followed.mean()) if len(self.followed) else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PoissonNull:
    """What chance would make of it, were both kinds Poisson processes."""

    precursor: float
    """Probability that a random effect has a cause before it."""
    trigger: float
    """Probability that a random cause has an effect after it."""
    p_precursor: float
    """Probability of at least as many preceded effects."""
    p_trigger: float
    """Probability of at least as many followed causes."""


def coincide(effects_ns: Int64Array, causes_ns: Int64Array, window_ns: int, lag_ns: int = 0) -> Coincidence:
    """Pair effects with causes: `lag` to `lag + window` before them, both ends included.

    Parameters
    ----------
    effects_ns, causes_ns : (n,), (m,) int64, ns, ascending
    window_ns, lag_ns : a negative lag lets a cause that was written down late count

    >>> a = np.array([12, 101, 203, 305, 407, 550], np.int64)
    >>> b = np.array([10, 100, 200, 301, 404], np.int64)
    >>> coincide(a, b, 3).precursor_rate, coincide(a, b, 3).trigger_rate
    (0.6666666666666666, 0.8)
    """
    latest_ns, first_ns = effects_ns - lag_ns, causes_ns + lag_ns
    return Coincidence(
        preceded=_between(causes_ns, latest_ns - window_ns, latest_ns),
        followed=_between(effects_ns, first_ns, first_ns + window_ns),
    )


def _between(times_ns: Int64Array, from_ns: Int64Array, to_ns: Int64Array) -> BoolArray:
    """Mark the spans in which there is one of the times, ends included."""
    n_before = np.searchsorted(times_ns, from_ns, side="left")
    return np.asarray(np.searchsorted(times_ns, to_ns, side="right") > n_before)


def poisson_null(found: Coincidence, window_ns: int, duration_ns: int, lag_ns: int = 0) -> PoissonNull:
    """Give the chances under the null of Donges et al. (2016): both kinds are Poisson processes.

    Parameters
    ----------
    found : what was counted with the same window and lag
    duration_ns : length of the record
    """
    n_effects, n_causes = len(found.preceded), len(found.followed)
    share = min(1.0, window_ns / max(duration_ns - lag_ns, 1))
    precursor, trigger = 1.0 - (1.0 - share) ** n_causes, 1.0 - (1.0 - share) ** n_effects
    return PoissonNull(
        precursor=precursor,
        trigger=trigger,
        p_precursor=float(at_least(found.preceded.sum(), n_effects, precursor)),
        p_trigger=float(at_least(found.followed.sum(), n_causes, trigger)),
    )


def covered_share(causes_ns: Int64Array, window_ns: int, watched: Watched, lag_ns: int = 0) -> float:
    """Give the share of the watched time that lies in the window after a cause: exact for these causes.

    Windows that overlap count once, and what was not watched counts nowhere: an effect at a random watched instant has
    a cause before it with this probability.

    Parameters
    ----------
    causes_ns : (m,) int64, ns, ascending
    """
    from_ns = watched.before(causes_ns + lag_ns)
    to_ns = watched.before(causes_ns + (lag_ns + window_ns))
    begun_ns = np.maximum(from_ns[1:], to_ns[:-1])  # where the window before ends later, the rest of this one counts
    covered_ns = int((to_ns[1:] - begun_ns).sum()) + int((to_ns[:1] - from_ns[:1]).sum())
    return covered_ns / max(watched.total_ns, 1)


def at_least(k: Int64Array | int, n: Int64Array | int, share: Float64Array | float) -> Float64Array:
    """Give the probability of at least k of n trials that each succeed with a probability `share` (binomial).

    Where the trials' probabilities differ and `share` is their mean, this is no smaller than the true one from
    n * share + 1 on (W. Hoeffding, Annals of Mathematical Statistics 27 (1956) 713-721).

    >>> float(at_least(3, 10, 0.0)), float(at_least(0, 10, 0.0)), round(float(at_least(8, 10, 0.5)), 7)
    (0.0, 1.0, 0.0546875)
    """
    from scipy.special import betainc  # scipy.stats has this too, and takes 0.6 s to import

    k, n = np.asarray(k, np.float64), np.asarray(n, np.float64)
    tail = betainc(np.maximum(k, 1e-300), np.maximum(n - k + 1.0, 1e-300), share)
    return np.asarray(np.where(k <= 0.0, 1.0, np.where(k > n, 0.0, tail)), np.float64)


def greatest_attained(n: Int64Array, share: Float64Array, at_most: Float64Array) -> Float64Array:
    """Give the greatest of the p-values of `at_least` that is no more than wanted: how often there is one so small.

    Counts are whole numbers, so a test reaches few p-values; the next smaller one is the chance that it stays below.

    Parameters
    ----------
    n, share, at_most : of one shape, or of shapes that fit together

    >>> greatest_attained(np.array(3), np.array(0.1), np.array(0.02)).round(6).tolist()
    0.001
    """
    n, share, at_most = np.broadcast_arrays(n, share, at_most * (1.0 + 1e-9))  # itself, whatever the rounding
    low, high = np.zeros(n.shape, np.int64), np.asarray(n, np.int64) + 1  # at n + 1 the p-value is zero
    while np.any(high - low > 1):
        middle = (low + high) // 2
        fits = at_least(middle, n, share) <= at_most
        low, high = np.where(fits, low, middle), np.where(fits, middle, high)
    return np.asarray(np.where(at_most >= 1.0, 1.0, at_least(high, n, share)), np.float64)
