"""How much machines of a kind differ, and what is to be believed of each: the Gamma-Poisson model.

Every machine has a rate of its own, drawn from a gamma distribution; its dropouts are Poisson. A machine of which
little was seen is believed to be like the others, one of which much was seen is believed itself.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["GammaPoisson", "by_itself", "fit", "learn"]

Counts = Int64Array | Float64Array
"""They need not be whole: where they come in bunches, bunches are counted."""

_ALIKE = 1e4
"""A shape from which on machines count as alike."""
_HALVINGS = 24
"""Of a stretch of 33 in logarithms: to a millionth part."""
_POINTS = 16
_NEGLIGIBLE = 1e-3
"""Of the greatest weight: points below are left out of the sums."""


def fit(n: Counts, hours: Float64Array) -> tuple[float, float] | None:
    """Give the (shape, inverse scale in hours) that make the counts likeliest; None where there was no dropout.

    D. Clayton & J. Kaldor, Biometrics 43 (1987) 671-681, section 2. A shape of 10,000 means that machines are alike.
    """
    from scipy.optimize import minimize

    n, hours = n[hours > 0.0], hours[hours > 0.0]
    if not n.sum():
        return None
    start = np.array([np.log(n.sum() / hours.sum()), 0.7])

    def misfit(at: Float64Array) -> float:
        shape = float(np.exp(np.clip(at[1], -7.0, np.log(_ALIKE))))
        return -float(_log_likelihood(n, hours, np.exp(at[:1]), np.array([shape]))[0])

    best = minimize(misfit, start, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 2000})
    mean, shape = float(np.exp(best.x[0])), float(np.exp(np.clip(best.x[1], -7.0, np.log(_ALIKE))))
    return shape, shape / mean


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GammaPoisson:
    """What was learnt of a kind of machine: many gamma distributions, each with its weight."""

    mean: Float64Array
    """(g,) dropouts an hour."""
    shape: Float64Array
    """(g,)"""
    weight: Float64Array
    """(g,) sums to 1."""

    @property
    def typical(self) -> float:
        """The mean rate of the kind, an hour: what is believed of it, the median."""
        return self._typical(0.5)

    @property
    def typical_interval(self) -> tuple[float, float]:
        """Its 95 % interval, which knows that machines differ."""
        return self._typical(0.025), self._typical(0.975)

    def _typical(self, share: float) -> float:
        order = np.argsort(self.mean, kind="stable")
        reached = np.cumsum(self.weight[order]) - self.weight[order] / 2.0
        return float(np.exp(np.interp(share, reached, np.log(self.mean[order]))))

    @property
    def spread(self) -> float:
        """By how much machines differ: the standard deviation of their rates over their mean."""
        return float((self.weight / np.sqrt(self.shape)).sum())

    def believed(self, n: Counts, hours: Float64Array) -> Float64Array:
        """(m,) Give the rate that each of m machines is believed to have, an hour."""
        shape = self.shape + n[:, None]
        return np.asarray((self.weight * shape / (self.shape / self.mean + hours[:, None])).sum(axis=1))

    def interval(self, n: Counts, hours: Float64Array, confidence: float = 0.95) -> tuple[Float64Array, Float64Array]:
        """Give the lower and the upper limits (m,) of what each is believed to have."""
        tail = (1.0 - confidence) / 2.0
        return self._quantile(n, hours, tail), self._quantile(n, hours, 1.0 - tail)

    def expected(self, n: Counts, hours: Float64Array, ahead_h: float, confidence: float = 0.95) -> tuple[int, int]:
        """Give how many dropouts one machine (arrays of length 1) is to be expected to have in the hours ahead."""
        from scipy.special import betainc

        shape, inverse = self.shape + n, self.shape / self.mean + hours
        tail, limits = (1.0 - confidence) / 2.0, []
        for wanted in (tail, 1.0 - tail):
            low, high = -1, 1
            while self._mixed(betainc(shape, high + 1.0, inverse / (inverse + ahead_h))) < wanted:
                low, high = high, 2 * high
            while high - low > 1:
                middle = (low + high) // 2
                reached = self._mixed(betainc(shape, middle + 1.0, inverse / (inverse + ahead_h))) >= wanted
                low, high = (low, middle) if reached else (middle, high)
            limits.append(high)
        return limits[0], limits[1]

    def _mixed(self, values: ArrayLike) -> float:
        return float((self.weight * np.asarray(values)).sum())

    def _quantile(self, n: Counts, hours: Float64Array, reached: float) -> Float64Array:
        from scipy.special import gammainc

        shape, inverse = self.shape + n[:, None], self.shape / self.mean + hours[:, None]
        middle = np.log(self.believed(n, hours))
        low, high = middle - 25.0, middle + 8.0
        for _ in range(_HALVINGS):
            middle = (low + high) / 2.0
            below = (self.weight * gammainc(shape, inverse * np.exp(middle)[:, None])).sum(axis=1) < reached
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray(np.exp((low + high) / 2.0))


def by_itself() -> GammaPoisson:
    """Give what is believed of a machine that has no fellows, or that has been shown to be none of theirs.

    Jeffreys' prior of a Poisson rate, a shape of one half and next to no hours (A. Gelman et al., Bayesian Data
    Analysis, 2.8).
    """
    return GammaPoisson(mean=np.array([0.5e9]), shape=np.array([0.5]), weight=np.array([1.0]))


def learn(n: Counts, hours: Float64Array) -> GammaPoisson | None:
    """Learn from all machines of a kind; None where there was no dropout, or fewer than two machines.

    The likeliest gamma distribution alone would be surer than its few machines allow, and its intervals too short. So
    all that fit are kept, weighted by how well they do, with every shrinkage as likely before (C. L. Christiansen & C.
    N. Morris, Journal of the American Statistical Association 92 (1997) 618-632).

    Parameters
    ----------
    n, hours : (machines,) dropouts, which need not be whole, and hours watched
    """
    n, hours = n[hours > 0.0], hours[hours > 0.0]
    likeliest = fit(n, hours) if len(n) > 1 else None
    if likeliest is None:
        return None
    centre = float(n.sum() / hours.sum())
    usual = float(np.median(hours)) * centre
    # shrinkage = shape / (shape + what is usually counted), spread evenly over 0 … 1
    shrinkage = (np.arange(_POINTS) + 0.5) / _POINTS
    shapes = np.maximum(shrinkage / (1.0 - shrinkage) * max(usual, 1e-9), 1e-3)
    width = max(6.0 / np.sqrt(max(float(n.sum()), 1.0)), 5.0 / np.sqrt(len(n)) * max(1.0 / np.sqrt(likeliest[0]), 0.3))
    means = (likeliest[0] / likeliest[1]) * np.exp(np.linspace(-width, width, 2 * _POINTS + 1))
    mean, shape = (axis.ravel() for axis in np.meshgrid(means, shapes, indexing="ij"))
    fits = _log_likelihood(n, hours, mean, shape)
    weight = np.exp(fits - fits.max())
    kept = weight > _NEGLIGIBLE
    return GammaPoisson(mean=mean[kept], shape=shape[kept], weight=weight[kept] / weight[kept].sum())


def _log_likelihood(n: Counts, hours: Float64Array, mean: Float64Array, shape: Float64Array) -> Float64Array:
    """(g,) The log likelihood of gamma distributions, but for a constant: counts are negative binomial."""
    from scipy.special import gammaln

    inverse = shape / mean
    total = np.zeros(len(mean))
    for count, watched in zip(n.tolist(), hours.tolist(), strict=True):
        total += gammaln(shape + count) - gammaln(shape) + shape * np.log(inverse / (inverse + watched))
        total += count * np.log(watched / (inverse + watched))
    return total
