"""How often by chance a test on events shows a p-value as small: what it must pay for the others, and they for it.

A test counts how many of a few dropouts have such an event before them. Counts are whole numbers, so most p-values
cannot come about: three dropouts with a chance of a tenth each show 0.001, 0.028, 0.271 or 1, and a p of 0.02 no more
often than 0.001. With hundreds of kinds of events this decides whether a handful of dropouts can tell anything.
"""

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.antecedent_scan import Scan
from busdoc.isolation.coincidence import greatest_attained

__all__ = ["attained", "may_be_found"]

_MAY_BE_FOUND = 0.5
"""Where chance shows a p as small more often than this, with all kinds together, nothing makes a finding of it."""


def attained(chances: Sequence[Sequence[tuple[int, float]]]) -> Callable[[Float64Array], Float64Array]:
    """Give what says, for p-values (n,), how often by chance each of n tests shows one as small, for `holm`.

    Parameters
    ----------
    chances : (n,) for each window that a test tried: dropouts, and the chance of each to be preceded; its p is that of
        the best window times their number. Empty: a p of any size can come about
    """
    n_windows = np.array([max(len(of), 1) for of in chances], np.float64)
    n = np.zeros((len(chances), int(n_windows.max(initial=1.0))), np.int64)
    share = np.zeros(n.shape)
    for row, of in enumerate(chances):
        for w, (n_dropouts, by_chance) in enumerate(of):
            n[row, w], share[row, w] = n_dropouts, by_chance
    is_any = np.array([not of for of in chances], np.bool_)

    def chance(p: Float64Array) -> Float64Array:
        found = greatest_attained(n, share, (p / n_windows)[:, None]).sum(axis=1)
        return np.where(is_any, p, np.minimum(found, p))

    return chance


def may_be_found(
    counted: Scan, usable: BoolArray, p: Float64Array, windows: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Yield window and kind of each p that may be found, as far as the kinds tried on one set of dropouts can tell.

    Parameters
    ----------
    usable : (w,) the windows that are tried
    p : (w, k) not corrected yet
    windows : the ones that are asked about
    """
    if not len(windows):
        return
    ascending = np.unique(p[windows])
    n, share = counted.n_independent[usable, None], counted.share[usable]
    low, high = 0, len(ascending)  # how many of them may be
    while low < high:
        middle = (low + high) // 2
        by_chance = float(greatest_attained(n, share, ascending[middle : middle + 1]).sum())
        low, high = (middle + 1, high) if by_chance <= _MAY_BE_FOUND else (low, middle)
    if low:
        for at, k in np.argwhere(p[windows] <= ascending[low - 1]).tolist():
            yield windows[at], k
