"""A rate from a count and the hours in which it was counted, with its exact interval."""

from dataclasses import dataclass

__all__ = ["Rate", "rate_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """So many in so many hours."""

    n: int
    hours: float
    low: float
    """An hour, 95 %."""
    high: float

    @property
    def per_hour(self) -> float:
        """The rate itself; 0 where nothing was watched."""
        return self.n / self.hours if self.hours > 0.0 else 0.0


def rate_of(n: int, hours: float, *, bunching: float = 1.0, confidence: float = 0.95) -> Rate:
    """Give the rate with its exact two-sided interval.

    F. Garwood, Biometrika 28 (1936) 437-442. Where events come in bunches, the interval is that of as many bunches, as
    quasi-likelihood takes it (P. McCullagh & J. A. Nelder, Generalized Linear Models, 1989, 6.2.3).

    Parameters
    ----------
    bunching : variance of the counts over their mean, at least 1

    >>> found = rate_of(3, 1.0)
    >>> round(found.low, 4), round(found.high, 4)
    (0.6187, 8.7673)
    """
    from scipy.special import gammaincinv

    if hours <= 0.0:
        return Rate(n=n, hours=0.0, low=0.0, high=float("inf"))
    tail, bunches = (1.0 - confidence) / 2.0, n / bunching
    low = float(gammaincinv(bunches, tail)) if n else 0.0
    high = float(gammaincinv(bunches + 1.0, 1.0 - tail))
    return Rate(n=n, hours=hours, low=low * bunching / hours, high=high * bunching / hours)
