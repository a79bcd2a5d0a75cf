"""Events whose times were written down by hand: "hit a bump about 14:20, give or take two minutes".

Such an event lies in the window before a dropout with a probability; these add up, and chance is what they add up to
with each dropout moved about its own place, as for sure times (`antecedent_scan`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.dropouts import SETTLE_NS, Dropouts
from busdoc.intermittent.precursors.antecedent_scan import near_ns
from busdoc.intermittent.precursors.event_kind import EventKind
from busdoc.times import SECOND_NS

__all__ = ["UnsureScan", "scan_unsure"]

_LEAST_DROPOUTS = 3
_PLACES = 241
"""Places in the neighbourhood of a dropout at which chance is worked out."""
_LEVELS = 64
"""Steps in which the probabilities are added up."""
_WIDE = 2.0
"""Standard deviations within which an event counts as near, when it is counted and not weighed."""
_LEAST_SIGMA_NS = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class UnsureScan:
    """One kind of unsure times against one set of dropouts, for the window that tells most."""

    window_s: float
    reach_s: float
    """The window with the doubt of the times on both sides."""
    n_preceded: int
    """Dropouts with an event in the window, give or take two standard deviations."""
    n_events: int
    n_followed: int
    n_independent: int
    n_hit: int
    """Of the independent ones, those preceded."""
    share: float
    """Chance that a dropout is."""
    lag_s: tuple[float, float, float] | None
    p: float
    """Corrected for the windows that were tried."""


def scan_unsure(dropouts: Dropouts, kind: EventKind, windows_s: Sequence[float]) -> UnsureScan:
    """Hold one kind against the dropouts.

    Windows much shorter than the doubt of the times all ask the same, so they are not tried.
    """
    sigma_ns = np.maximum(kind.uncertainty_ns.astype(np.float64), _LEAST_SIGMA_NS)
    doubt_ns = float(np.median(sigma_ns))
    tried = [window_s for window_s in windows_s if window_s * SECOND_NS >= doubt_ns / 2.0] or [max(windows_s)]
    best = min((_scan_window(dropouts, kind, sigma_ns, doubt_ns, w) for w in tried), key=lambda one: one.p)
    return UnsureScan(
        window_s=best.window_s,
        reach_s=best.reach_s,
        n_preceded=best.n_preceded,
        n_events=best.n_events,
        n_followed=best.n_followed,
        n_independent=best.n_independent,
        n_hit=best.n_hit,
        share=best.share,
        lag_s=best.lag_s,
        p=min(1.0, best.p * len(tried)),
    )


def _scan_window(
    dropouts: Dropouts, kind: EventKind, sigma_ns: Float64Array, doubt_ns: float, window_s: float
) -> UnsureScan:
    """Try one window; as for sure times, windows are laid out in watched time."""
    watched, window_ns = dropouts.watched, window_s * SECOND_NS
    reach_ns = window_ns + 2.0 * _WIDE * doubt_ns
    first = np.flatnonzero(dropouts.independent(round(2.0 * reach_ns) + SETTLE_NS))
    event_ns, seen_ns = watched.before(kind.t_ns), watched.before(dropouts.last_seen_ns)
    around_ns = near_ns(round(max(window_ns, 2.0 * doubt_ns)))
    steps = (np.arange(_PLACES) + 0.5) / _PLACES
    weights, null, shares = [], [], []
    for place_ns in seen_ns[first].tolist():
        low_ns, high_ns = max(0, place_ns - around_ns), min(watched.total_ns, place_ns + around_ns)
        places_ns = np.append(low_ns + np.round(steps * (high_ns - low_ns)).astype(np.int64), place_ns)
        covered = _covered(places_ns, event_ns, sigma_ns, window_ns, dropouts.bracket_ns)
        weights.append(covered[-1])
        null.append(covered[:-1])
        shares.append(_is_near(places_ns[:-1], event_ns, doubt_ns, window_ns).mean())
    hits = _is_near(seen_ns, event_ns, doubt_ns, window_ns)
    ahead = _is_near(-event_ns[::-1], -seen_ns[::-1], doubt_ns, window_ns)
    lag_s = _lags_s(dropouts, kind.t_ns, doubt_ns)[hits]
    quartiles = np.quantile(lag_s, (0.25, 0.5, 0.75)).tolist() if len(lag_s) else None
    return UnsureScan(
        window_s=window_s,
        reach_s=reach_ns / SECOND_NS,
        n_preceded=int(hits.sum()),
        n_events=len(kind),
        n_followed=int(ahead.sum()),
        n_independent=len(first),
        n_hit=int(hits[first].sum()),
        share=float(np.mean(shares)) if shares else 0.0,
        lag_s=None if quartiles is None else (quartiles[0], quartiles[1], quartiles[2]),
        p=_tail(np.array(weights), null) if len(first) >= _LEAST_DROPOUTS else 1.0,
    )


def _lags_s(dropouts: Dropouts, t_ns: Int64Array, doubt_ns: float) -> Float64Array:
    """(n,) Give how long before each dropout the last event was that may be from before it; negative: written later."""
    latest = np.searchsorted(t_ns, dropouts.last_seen_ns + round(_WIDE * doubt_ns), side="right") - 1
    return np.asarray((dropouts.last_seen_ns - t_ns[np.maximum(latest, 0)]) / SECOND_NS, np.float64)


def _covered(
    at_ns: Int64Array, t_ns: Int64Array, sigma_ns: Float64Array, window_ns: float, bracket_ns: int
) -> Float64Array:
    """(n,) Give the probability that an event lies in the window before each place."""
    from scipy.special import ndtr

    reach_ns = window_ns + 6.0 * float(sigma_ns.max())
    low = np.searchsorted(t_ns, at_ns.min() - reach_ns)
    high = np.searchsorted(t_ns, at_ns.max() + reach_ns + bracket_ns, side="right")
    if high <= low:
        return np.zeros(len(at_ns))
    ahead_ns = (at_ns[:, None] - t_ns[None, low:high]).astype(np.float64)  # (n, events)
    sigma = sigma_ns[None, low:high]
    within = ndtr((ahead_ns + bracket_ns) / sigma) - ndtr((ahead_ns - window_ns) / sigma)
    return np.asarray(1.0 - np.prod(1.0 - within, axis=1), np.float64)


def _is_near(at_ns: Int64Array, t_ns: Int64Array, doubt_ns: float, window_ns: float) -> BoolArray:
    """(n,) Mark the places with an event in the window before them, give or take two standard deviations."""
    wide_ns = round(_WIDE * doubt_ns)
    n_before = np.searchsorted(t_ns, at_ns - (round(window_ns) + wide_ns), side="left")
    return np.asarray(np.searchsorted(t_ns, at_ns + wide_ns, side="right") > n_before)


def _tail(weights: Float64Array, null: Sequence[Float64Array]) -> float:
    """Give the probability that what each null draws from its own row adds up to as much as the weights."""
    top = max(float(weights.max()), *(float(row.max()) for row in null))
    if top <= 0.0:
        return 1.0
    added = np.ones(1)
    for row in null:
        levels = np.bincount(np.rint(row / top * _LEVELS).astype(np.int64), minlength=_LEVELS + 1)
        added = np.convolve(added, levels / len(row))
    reached = int(np.rint(weights / top * _LEVELS).sum())
    return float(min(1.0, max(0.0, added[reached:].sum()))) if reached else 1.0
