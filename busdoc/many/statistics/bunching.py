"""Whether dropouts come in bunches: how much more the captures of one machine differ than chance has it."""

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["bunching_of"]


def bunching_of(machine: Int64Array, n: Int64Array, hours: Float64Array) -> float:
    """Give the variance of a capture's count over its mean, within machines; 1 where they differ as by chance, or less.

    Given a machine's total, a steady rate spreads it over the captures in proportion to their hours, whatever the rate
    is: each machine's Pearson statistic then has a mean of (captures - 1) exactly (P. McCullagh & J. A. Nelder,
    Generalized Linear Models, 1989, 5.3 and 6.2). A machine with less than two dropouts says nothing of bunches and is
    left out; a rate that changes while the machine ages counts as bunches, which is on the careful side.

    Parameters
    ----------
    machine : (captures,) which machine, from 0 on
    n, hours : (captures,) dropouts, and hours watched
    """
    watched = hours > 0.0
    machine, n, hours = machine[watched], n[watched], hours[watched]
    if not len(machine):
        return 1.0
    n_machines = int(machine.max()) + 1
    total = np.bincount(machine, weights=n, minlength=n_machines)
    total_h = np.bincount(machine, weights=hours, minlength=n_machines)
    telling = total[machine] >= 2
    if not telling.any():
        return 1.0
    expected = total[machine] * hours / total_h[machine]
    statistic = float((((n - expected) ** 2)[telling] / expected[telling]).sum())
    freedom = int(telling.sum()) - int((total >= 2).sum())
    return max(1.0, statistic / freedom) if freedom > 0 else 1.0
