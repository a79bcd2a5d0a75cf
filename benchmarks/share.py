"""How a share that was counted is printed: with its exact interval."""

from busdoc.intermittent.binomial import binomial_interval

__all__ = ["share"]


def share(k: int, n: int) -> str:
    """Print k of n in percent, with its 95 % interval."""
    low, high = binomial_interval(k, n)
    return f"{k} of {n} = {100 * k / max(n, 1):.1f} % ({100 * low:.1f} to {100 * high:.1f} %)"
