"""Time cut at every action, loss and return, and which parts were exposed in each piece.

Takes losses and reach; gives the pieces, and the survival of what came before the first trouble.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.losses import Losses
from busdoc.isolation.suspects.rates import RATES_HZ

__all__ = ["Cells", "before_first", "cut_cells", "exempt"]

_PRESS_WITHIN_S = 2.5
"""A press comes no later after what was done, as a rule (common practice)."""
_BEGAN_BEFORE = 0.5
"""That a fault was there before the record began, rather than begun between then and the first trouble.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.exposure_cells._BEGAN_BEFORE 0.25 0.75"""

_MOST_AT_ONCE = 1 << 25
"""Bytes of one table (bound on work, and memory)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Pieces of time, ascending, without gaps; one at least."""

    from_s: Float64Array
    length_s: Float64Array
    live: BoolArray
    """(cells, P) the part is exposed to a controller that is on the bus; `exempt` takes out what is counted apart."""
    stint: npt.NDArray[np.int32]
    """(cells, P) counts the changes of what the part is plugged to."""
    up_s: float
    """Controller seconds on the bus, of all together."""
    looks: Float64Array
    """(cells,) so many looks saw nothing that would have seen what began in the piece; 0 where it is watched all the
    time."""

    @property
    def middle_s(self) -> Float64Array:
        """Of each piece, which lies on no edge: what holds there holds for all of it."""
        middle_s: Float64Array = self.from_s + 0.5 * self.length_s
        return middle_s

    def stint_at(self, t: float) -> npt.NDArray[np.int32]:
        """(P,) the stint of every part just before an instant."""
        at: npt.NDArray[np.int32] = self.stint[max(int(np.searchsorted(self.from_s, t)) - 1, 0)]
        return at


def cut_cells(
    losses: Losses, reach: Reach, likely_s: Float64Array, span_s: float, first_s: float, home: BoolArray
) -> Cells:
    """Cut the time from 0 to `span_s`, which is positive.

    Parameters
    ----------
    likely_s : when each action was most likely done
    first_s : of the first trouble
    home : (P, C) controllers at which a part's quiet counts
    """
    # Cut at every action, loss and return, and at the first trouble; and so long before each that what began since
    # could not be seen any more before it.
    latency_s = 0.0 if losses.showing is None else losses.showing.latency_s
    edges = [0.0, span_s, *likely_s.tolist()]
    for absences in losses.away:
        edges += [edge for absence in absences for edge in absence]
    if latency_s > 0.0:
        edges += [edge - latency_s for edge in edges]
    if np.isfinite(first_s):
        edges.append(first_s)
    if losses.showing is not None:
        edges += losses.t_s.tolist()
    cut_s = np.unique(np.clip([edge for edge in edges if np.isfinite(edge)], 0.0, span_s))
    from_s, length_s = cut_s[:-1], np.diff(cut_s)
    middle_s = from_s + 0.5 * length_s
    # Who was on the bus in each piece, and what reached them.
    up = np.ones((len(from_s), len(reach.controllers)), np.bool_)
    for c, absences in enumerate(losses.away):
        for gone_s, back_s in absences:
            up[(middle_s > gone_s) & (middle_s < back_s), c] = False
    if losses.showing is not None:
        up[:, np.arange(up.shape[1]) != losses.showing.observer] = False
    stretch = np.searchsorted(likely_s, middle_s)
    seen = stretch
    if latency_s > 0.0:  # joined also at the time at which it would be seen, to one that is on the bus then
        seen = np.searchsorted(likely_s, middle_s + latency_s)
        up &= _up_at(losses, up.shape[1], middle_s + latency_s, span_s)
    live = _any_joined(reach, home, up, stretch, seen)
    number = np.zeros((len(reach.reaches), len(reach.parts)), np.int32)
    number[reach.changes.action + 1, reach.changes.part] = 1
    stint = np.cumsum(number, axis=0, out=number)[stretch]
    if losses.showing is not None and losses.showing.rests:
        live &= ~_resting(losses, losses.showing.observer, from_s, stint)
    looked_s = np.empty(0) if losses.showing is None else losses.showing.looks_s - latency_s
    within = np.searchsorted(from_s + 1e-6, looked_s[(looked_s > 1e-6) & (looked_s < span_s)]) - 1
    return Cells(
        from_s=from_s,
        length_s=length_s,
        live=live,
        stint=stint,
        up_s=float((up.sum(axis=1) * length_s).sum()),
        looks=np.bincount(within, minlength=len(from_s)).astype(np.float64),
    )


def _resting(losses: Losses, observer: int, from_s: Float64Array, stint: npt.NDArray[np.int32]) -> BoolArray:
    """(cells, P) in which a part, had it made the step before, would rest in its fault.

    That is in the same plugging, and until the controller starts anew. What stepped again meanwhile did not rest: of
    several steps only the last may be one to rest after.
    """
    rests = np.zeros(stint.shape, np.bool_)
    times_s = np.sort(losses.t_s)
    cell = np.maximum(np.searchsorted(from_s, times_s + 1e-9) - 1, 0)
    for t in times_s.tolist():
        again_s = min((back_s for gone_s, back_s in losses.away[observer] if back_s > gone_s >= t), default=np.inf)
        after = (from_s >= t - 1e-9) & (from_s < again_s)
        later = stint[cell[(times_s > t) & (times_s < again_s)]]
        for at_s in (t, t + _PRESS_WITHIN_S):  # as it is written, and as what is pressed just after may have been meant
            at = max(int(np.searchsorted(from_s, at_s + 1e-9)) - 1, 0)
            stepped_again = np.any(later == stint[at], axis=0)
            rests |= after[:, None] & (stint == stint[at]) & ~stepped_again
    return rests


def _up_at(losses: Losses, n_controllers: int, at_s: Float64Array, span_s: float) -> BoolArray:
    """(cells, C) the controller is on the bus at the time that belongs to each cell."""
    up = np.ones((len(at_s), n_controllers), np.bool_)
    for c, absences in enumerate(losses.away):
        for gone_s, back_s in absences:
            up[(at_s > gone_s) & (at_s < back_s), c] = False
    up[at_s > span_s] = False
    return up


def _any_joined(reach: Reach, home: BoolArray, up: BoolArray, stretch: Int64Array, seen: Int64Array) -> BoolArray:
    """(cells, P) the part is joined to a controller that is on the bus, in two stretches of each cell.

    Parts times controllers times cells is more than any memory on a bus of thousands of identifiers, of which each
    part is joined to few: only what is joined is looked at, in so many cells at once.
    """
    # While everybody is on the bus, a part is joined to somebody or not: counted from one stretch to the next.
    n_joined = np.zeros((len(reach.reaches), len(reach.parts)), np.int32)
    n_joined[0] = (reach.reaches[0] & home).sum(axis=1)
    changes = reach.changes
    step = home[changes.part, changes.controller] * np.where(changes.gained, 1, -1)
    np.add.at(n_joined, (changes.action + 1, changes.part), step.astype(np.int32))
    np.cumsum(n_joined, axis=0, out=n_joined)
    plain = up.all(axis=1) & (stretch == seen)
    live: BoolArray = n_joined[stretch] > 0
    first = 0
    while first < len(stretch):
        if plain[first]:
            first += 1
            continue
        alike = (stretch[first:] != stretch[first]) | (seen[first:] != seen[first])
        end = first + int(alike.argmax()) if alike.any() else len(stretch)
        part, controller = np.nonzero(reach.reaches[stretch[first]] & reach.reaches[seen[first]] & home)
        live[first:end] = False
        if len(part):
            starts = np.flatnonzero(np.diff(part, prepend=-1))
            n_cells = max(1, _MOST_AT_ONCE // len(part))
            for at in range(first, end, n_cells):
                joined = up[at : min(at + n_cells, end)][:, controller]
                live[at : at + len(joined), part[starts]] = np.logical_or.reduceat(joined, starts, axis=1)
        first = end
    return live


def exempt(
    cells: Cells,
    reach: Reach,
    near: Int64Array,
    likely_s: Float64Array,
    t: float,
    hit: BoolArray,
    since_s: float,
) -> None:
    """Take the exposure that `soften` counts out of the cells."""
    for j in near:
        joins = np.any(reach.reaches[j + 1] & ~reach.reaches[j] & hit[None, :], axis=1)
        counted = (cells.middle_s > max(float(likely_s[j]), since_s)) & (cells.middle_s < t)
        cells.live[np.ix_(counted, joins)] = False


def before_first(cells: Cells, first_s: float) -> Float64Array:
    """(P, R) survival up to the first trouble, for a fault that was there before or began at any time since."""
    early = cells.from_s < first_s
    length_s, live = cells.length_s[early], cells.live[early]
    if not len(length_s):
        return np.ones((cells.live.shape[1], len(RATES_HZ)))
    # Most parts were exposed at the same times: each such history is worked out once.
    marks = np.ascontiguousarray(np.packbits(live, axis=0).T)
    _, example, alike = np.unique(marks.view(f"V{marks.shape[1]}")[:, 0], return_index=True, return_inverse=True)
    several = max(1, _MOST_AT_ONCE // (16 * len(length_s) * len(RATES_HZ)))
    pieces = [_survival_before(live[:, example[at : at + several]], length_s) for at in range(0, len(example), several)]
    survival: Float64Array = np.concatenate(pieces)[alike]
    return survival


def _survival_before(live: BoolArray, length_s: Float64Array) -> Float64Array:
    """(P, R) of parts that were live in these pieces, which end with the first trouble."""
    spent_s = live * length_s[:, None]
    # There from before: all the exposure until the first trouble. Begun since: over an even beginning, piece by piece.
    left_s = np.cumsum(spent_s[::-1], axis=0)[::-1]  # exposure from each cell's start to the first trouble
    whole = np.exp(-left_s[0][:, None] * RATES_HZ)
    after_s = left_s - spent_s
    cost = spent_s[:, :, None] * RATES_HZ
    share = np.where(cost > 1e-9, -np.expm1(-cost) / np.maximum(cost, 1e-9), 1.0)
    began = (np.exp(-after_s[:, :, None] * RATES_HZ) * share * length_s[:, None, None]).sum(axis=0) / length_s.sum()
    mixed: Float64Array = _BEGAN_BEFORE * whole + (1.0 - _BEGAN_BEFORE) * began
    return mixed
