"""A part that was sound at first and went bad within the record.

Where one fault shows from the start and another only later, all the quiet that the later one passed while it was sound
speaks against it, unless it may have begun. Takes the plain hazards of every incident and the exposure after it; gives,
for each part and each incident but the first, the evidence were the part to have gone bad since the incident before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.isolation.suspects.exposure_cells import Cells
from busdoc.isolation.suspects.rates import RATE_PRIOR, RATES_HZ

__all__ = ["Late", "choose_late", "weigh_late"]

_BEGINS_WITHIN = 0.03
"""That a part which is bad at the end went bad while somebody was recording, and after the first trouble at that.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.fault_onset._BEGINS_WITHIN 0.01 0.09"""
_MOST = 6
"""Parts gone bad late that are enumerated, the likeliest first (bound on work)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Late:
    """P parts, K incidents, R rates; entry k is for a part gone bad between incident k - 1 and incident k."""

    hazard: Float64Array
    """(P, K, R) density of each incident if the part, bad by then, made it, 1/s: of those from its own on."""
    first: Float64Array
    """(P, K, R) the same of incident k for a part that has gone bad since the one before."""
    survival: Float64Array
    """(P, K, R) probability of the quiet from then on."""
    prior: Float64Array
    """(K,) that it went bad just then."""


def weigh_late(
    plain: Float64Array, log_near: Float64Array, cells: Cells, t_s: Float64Array, fit: Float64Array, span_s: float
) -> Late:
    """Weigh late beginnings.

    Parameters
    ----------
    plain : (P, K, R) hazard of each part at each incident, who fell and how included
    log_near : (P, K, R) logarithm of the survival since an action near each incident
    cells : exposure; what `log_near` counts is taken out
    t_s : (K,) of the incidents, ascending
    fit : (P, K) likelihood of who fell and how, were the part to have made it
    span_s : until when was watched
    """
    # Exposure from each incident to the end; near an action it is counted by `log_near`.
    at: Int64Array = np.searchsorted(cells.from_s, t_s)
    after_s = _left_s(cells, at).T  # (P, K) exposure from each incident on
    near = np.cumsum(log_near[:, ::-1], axis=1)[:, ::-1]
    survival = np.exp(near - after_s[:, :, None] * RATES_HZ)
    # Begun at an even time since the incident before, and shown by now: the mean of r exp(-r x) over the gap.
    gap_s = np.maximum(np.diff(t_s, prepend=0.0), 1.0)
    began = fit[:, :, None] * (-np.expm1(-np.outer(gap_s, RATES_HZ)) / gap_s[:, None])[None]
    prior = _BEGINS_WITHIN * gap_s / span_s
    if len(prior):
        prior[0] = 0.0  # the first trouble may have begun at any time before it as it is
    return Late(hazard=plain, first=0.5 * plain + 0.5 * began, survival=survival, prior=prior)


def _left_s(cells: Cells, at: Int64Array) -> Float64Array:
    """(K, P) the exposure of each part from these pieces on, s; K pieces, ascending."""
    left_s = np.zeros((len(at), cells.live.shape[1]))
    end, rest_s = len(cells.length_s), np.zeros(cells.live.shape[1])
    for k in range(len(at) - 1, -1, -1):
        rest_s = rest_s + cells.length_s[at[k] : end] @ cells.live[at[k] : end]
        left_s[k], end = rest_s, int(at[k])
    return left_s


def choose_late(late: Late, hazard: Float64Array, survival: Float64Array) -> Sequence[tuple[int, int]]:
    """Choose the parts and incidents where a late beginning explains better than one from the start.

    Parameters
    ----------
    hazard, survival : (P, K, R), (P, R) of the parts as bad from the start

    Returns
    -------
    (part, incident) pairs, the best first; at most one for a part
    """
    if hazard.shape[1] < 2:
        return ()
    # The likelihood of the whole record with the part as its only cause, either way.
    from_start = (hazard * (survival * RATE_PRIOR)[:, None, :]).sum(axis=2)
    begun = (late.first * late.survival * RATE_PRIOR).sum(axis=2) * late.prior
    gain = begun / np.maximum(from_start, 1e-300)
    best = gain.argmax(axis=1)
    top = gain.max(axis=1)
    order = np.argsort(-top, kind="stable")
    return [(int(p), int(best[p])) for p in order if top[p] > 1.0][:_MOST]
