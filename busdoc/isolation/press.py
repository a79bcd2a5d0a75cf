"""How far the written time of an action may lie from the true one.

People press after they plug, so a written time is usually late; the laptop's clock may also be off against the
capture's. Takes an action, gives a discrete distribution of 'written minus true' to sum over.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from busdoc.actions.action import Action, Origin
from busdoc.arrays import Float64Array

__all__ = ["OFFSETS_S", "OFFSET_PRIOR", "late_by", "lateness_s", "lateness_weights"]

_STEP = 0.1
_NODES = np.arange(-30, 51) * _STEP
"""Written minus true time, in units of the action's own uncertainty."""
_MEAN_LAG = 0.55
"""Of the press behind the plug, in the same units: half a second for the usual second of uncertainty."""
_SLOPPY = 0.1
"""Share of presses whose time is only as good as the uncertainty says, early or late."""

OFFSETS_S: Float64Array = np.asarray(np.arange(-14, 15) * 0.5, np.float64)
"""Journal clock minus capture clock, as far as it is worth asking."""
_LIKELY = np.exp(-0.5 * (OFFSETS_S / 0.4) ** 2) + 0.02
OFFSET_PRIOR: Float64Array = np.asarray(_LIKELY / _LIKELY.sum(), np.float64)
"""One clock serves both as a rule (common practice: laptop and bus interface share it); now and then it does not."""


@lru_cache(maxsize=1)
def lateness_weights() -> Float64Array:
    """Weigh the nodes: an exponential lag, blurred by a hand's imprecision, over a broad normal for sloppy presses."""
    fine = np.arange(0.0, 5.0, _STEP / 4)
    lag = np.exp(-fine / _MEAN_LAG)
    blur = np.exp(-0.5 * ((_NODES[:, None] - fine[None, :]) / 0.15) ** 2) @ lag
    sloppy = np.exp(-0.5 * ((_NODES - 0.3) / 1.2) ** 2)
    weights: Float64Array = (1.0 - _SLOPPY) * blur / blur.sum() + _SLOPPY * sloppy / sloppy.sum()
    weights.setflags(write=False)
    return weights


def late_by(action: Action) -> Float64Array:
    """Give the nodes for one action, s; a signal or the bus itself told its time without a hand's delay."""
    nodes: Float64Array = lateness_s((action,))[0]
    return nodes


def lateness_s(actions: Sequence[Action]) -> Float64Array:
    """Give the nodes for several actions.

    Returns
    -------
    (n, nodes) float64, s: written minus true time, weighted by `lateness_weights`
    """
    sigma_s = np.array([max(a.uncertainty_ns / 1e9, 1e-3) for a in actions])
    by_hand = np.array([a.origin is Origin.JOURNAL for a in actions])
    centre = np.where(by_hand, 0.0, -_MEAN_LAG)
    nodes: Float64Array = (_NODES[None, :] + centre[:, None]) * sigma_s[:, None]
    return nodes
