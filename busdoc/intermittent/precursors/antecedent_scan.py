"""Counts how many dropouts one kind of event came before, and what chance would make of it.

The null is exact for the events as they are, however they cluster: each dropout is moved about its own place, and the
share of that neighbourhood in which it would find such an event before it is its chance (for the idea, see
Amarasingham, Harrison, Hatsopoulos, Geman, J. Neurophysiology 107 (2012) 517-531). Because only the neighbourhood
counts, a working day or a duty cycle that brings events and dropouts together is no evidence. The neighbourhood is cut
at the record's ends, at capture gaps, and where there was nothing to lose. What is left is that dropouts of one burst
hang together: of those that come within twice the window of one another, only the first counts as an independent one.

A second null moves all dropouts along the record together. Where dropouts keep a beat of their own, like a timer that
runs out every ten minutes, and events keep one too, all fall into the window once the first does; where both come in
bursts, many do. Moved along together, they keep their beat and their bursts, and chance shows as often as it should
(the shuffled null of event coincidence analysis: Donges et al., Eur. Phys. J. Special Topics 225 (2016) 471-487,
section 2).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.dropouts import LEAST_DROPOUTS, SETTLE_NS, Dropouts, Watched
from busdoc.intermittent.precursors.event_kind import EventKind
from busdoc.times import SECOND_NS

__all__ = ["WINDOWS_S", "Counts", "Windows", "by_shifting", "near_ns", "scan", "windows_for"]

WINDOWS_S = (0.25, 1.0, 4.0, 15.0, 60.0)
"""The windows that are tried, each of which the p-value pays for."""
_NEAR_WINDOWS = 12
_SPELL_NS = 40 * SECOND_NS
_WIDE = 1.4
"""Standard deviations by which an event that was written down may really have been earlier or later."""
_SHIFTS = (199, 19_999)
"""Shifts that are tried, the more only where the fewer do not show yet that chance does as much."""
_GOLDEN = 0.6180339887498949
_MOST_PLACES = 1 << 19
_NEVER = np.iinfo(np.int64).max


def near_ns(window_ns: int) -> int:
    """Give how far to either side of a dropout chance is reckoned.

    Twelve windows; of long windows fewer, down to two, so that the neighbourhood stays within one spell of work.
    """
    return min(_NEAR_WINDOWS * window_ns, _SPELL_NS + 3 * window_ns // 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Windows:
    """The windows before n dropouts, of w lengths, in which an event counts."""

    dropouts: Dropouts
    lengths_s: tuple[float, ...]
    """(w,) ascending."""
    doubt_ns: int = 0
    """How much earlier or later the events may really have been: windows reach as much further to either side."""

    @cached_property
    def reach_ns(self) -> Int64Array:
        """(w,) How long before the last frame each window begins."""
        return np.array([round(length_s * SECOND_NS) + self.doubt_ns for length_s in self.lengths_s], np.int64)

    @cached_property
    def late_ns(self) -> int:
        """How long after the last frame before a dropout an event may still be from before it, as a rule."""
        return max(self.dropouts.bracket_ns, self.doubt_ns)

    @cached_property
    def latest_ns(self) -> Int64Array:
        """(n,) Until when each loss may not have come yet."""
        missed_ns = np.maximum(self.dropouts.onset_ns, self.dropouts.last_seen_ns + self.doubt_ns)
        return np.minimum(self.dropouts.last_seen_ns + self.late_ns, missed_ns)

    @cached_property
    def seen_ns(self) -> Int64Array:
        """(n + 1,) The last frame before each, and the end of time."""
        return np.append(self.dropouts.last_seen_ns, _NEVER)

    @cached_property
    def independent(self) -> BoolArray:
        """(w, n) Mark the dropouts that do not follow from the one before, as far as each window can tell."""
        pauses_ns = 2 * (self.reach_ns + self.doubt_ns) + SETTLE_NS
        return np.array([self.dropouts.independent(pause_ns) for pause_ns in pauses_ns.tolist()])

    @cached_property
    def n_independent(self) -> Int64Array:
        """(w,) Their number."""
        return np.asarray(self.independent.sum(axis=1), np.int64)

    @cached_property
    def usable(self) -> BoolArray:
        """(w,) Mark the windows with enough of them."""
        return self.n_independent >= LEAST_DROPOUTS

    @cached_property
    def side_ns(self) -> Int64Array:
        """(w, 1) Where each window's own axis of watched time begins, all of them laid side by side on one."""
        return np.arange(len(self.lengths_s))[:, None] * (self.dropouts.watched.total_ns + 1)

    @cached_property
    def near(self) -> tuple[Int64Array, Int64Array]:
        """(2, m), (m,) Where each window's independent dropouts have their neighbourhoods, and whose each is."""
        place_ns, total_ns = self.dropouts.watched.before(self.dropouts.last_seen_ns), self.dropouts.watched.total_ns
        far_ns = np.array([near_ns(reach_ns + self.late_ns) for reach_ns in self.reach_ns.tolist()], np.int64)[:, None]
        bounds_ns = np.clip(np.array((place_ns - far_ns, place_ns + far_ns)), 0, total_ns) + self.side_ns
        return bounds_ns[:, self.independent], np.nonzero(self.independent)[0]

    @cached_property
    def followed_by_chance(self) -> tuple[float, ...]:
        """(w,) The share of what was watched in which an event has a dropout after it."""
        watched, seen_ns = self.dropouts.watched, self.dropouts.last_seen_ns
        return tuple(watched.share_after(seen_ns - ns, ns + self.doubt_ns) for ns in self.reach_ns.tolist())

    def moved(self, w: int, n_shifts: int) -> tuple[Int64Array, BoolArray]:
        """(n, s) Move the independent dropouts of one window along the record: where to, and whether they can be told.

        The shifts go up to half the record either way and are spread evenly (multiples of the golden section), the same
        at every run.
        """
        if (w, n_shifts) not in self._moved:
            dropouts = self.dropouts
            guard_ns = min(dropouts.span_ns / 4.0, 2.0 * (int(self.reach_ns[w]) + self.late_ns))
            # Every shift, from the guard to half the record, before and after; in order, which searches fastest.
            along = 2.0 * ((np.arange(1, n_shifts + 1) * _GOLDEN) % 1.0) - 1.0
            shift_ns = np.round(np.sign(along) * guard_ns + (dropouts.span_ns / 2.0 - guard_ns) * along)
            moved_ns = dropouts.last_seen_ns[self.independent[w], None] + np.sort(shift_ns.astype(np.int64))
            self._moved[w, n_shifts] = moved_ns, dropouts.watched.contains(moved_ns)
        return self._moved[w, n_shifts]

    @cached_property
    def _moved(self) -> dict[tuple[int, int], tuple[Int64Array, BoolArray]]:
        return {}


def windows_for(dropouts: Dropouts, kind: EventKind, lengths_s: Sequence[float] = WINDOWS_S) -> Windows:
    """Lay the windows for one kind of event.

    Of times that were written down by hand ("about 14:20, give or take two minutes") all windows of about the length of
    their doubt ask the same, so only the shortest of those is tried.
    """
    sigma_s = float(np.median(kind.uncertainty_ns)) / SECOND_NS if len(kind) and not kind.is_sure else 0.0
    shortest, *longer = [one for one in lengths_s if one >= sigma_s / 2.0] or [max(lengths_s)]
    tried = (shortest, *(one for one in longer if one >= 4.0 * sigma_s))
    return Windows(dropouts=dropouts, lengths_s=tried, doubt_ns=round(_WIDE * sigma_s * SECOND_NS))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Counts:
    """One kind of event in w windows before n dropouts."""

    lag_ns: Int64Array
    """(n,) from the last such event to the last frame before each dropout; the largest number where there is none;
    negative where the event lies between that frame and the first one missed."""
    n_hit: Int64Array
    """(w,) independent dropouts with such an event before them."""
    share: Float64Array
    """(w,) chance of that for one of them, in the mean."""
    n_events: int
    """While there was something to lose."""
    n_followed: Int64Array
    """(w,) events with a dropout after them."""
    p: Float64Array
    """(w,) probability of as many hits by chance; 1 where there are too few independent dropouts."""


def scan(windows: Windows, kind: EventKind) -> Counts:
    """Hold one kind of event against the dropouts, of which there is at least one."""
    dropouts, watched = windows.dropouts, windows.dropouts.watched
    t_ns = kind.t_ns
    ahead_ns = _ahead(windows, kind)
    # What happens while the controllers are away, or settle, goes before nothing.
    counted = watched.contains(t_ns) | (ahead_ns <= 0)
    t_ns, ahead_ns = t_ns[counted], ahead_ns[counted]
    # The last event before each dropout, and whether it lies in the windows.
    n_before = np.searchsorted(t_ns, windows.latest_ns, side="right")
    last_ns = np.append(t_ns, 0)[n_before - 1]
    lag_ns = np.where(n_before > 0, dropouts.last_seen_ns - last_ns, _NEVER)
    n_hit = ((lag_ns <= windows.reach_ns[:, None]) & windows.independent).sum(axis=1)
    share, p = _near_share(windows, watched.before(t_ns)), np.ones(len(n_hit))
    shown = windows.usable & (n_hit > 0)
    if shown.any():
        p[shown] = at_least(n_hit[shown], windows.n_independent[shown], share[shown])
    return Counts(
        lag_ns=lag_ns,
        n_hit=n_hit,
        share=share,
        n_events=len(t_ns),
        n_followed=(ahead_ns <= windows.reach_ns[:, None]).sum(axis=1),
        p=p,
    )


def _ahead(windows: Windows, kind: EventKind) -> Int64Array:
    """(e,) Give how long after each event the next dropout was; its last frame may come before the event.

    What a lost controller itself says after that frame, like a claim of its address, is no sign of the loss.
    """
    seen_ns, t_ns = windows.seen_ns, kind.t_ns
    following = windows.latest_ns.searchsorted(t_ns, side="left")
    if kind.controller is not None:
        is_own = np.append(windows.dropouts.is_own(kind.controller), False)
        following += is_own[following] & (t_ns > seen_ns[following])
    return np.where(following < len(windows.dropouts), seen_ns[following] - t_ns, _NEVER)


def _near_share(windows: Windows, event_ns: Int64Array) -> Float64Array:
    """(w,) Give the share of each independent dropout's neighbourhood that has such an event before it, in the mean.

    Parameters
    ----------
    event_ns : (e,) in watched time: the dropout that cuts a window short would not have done so, had it come elsewhere
    """
    # Where a dropout would find one of the events before it, window by window.
    begun_ns = windows.side_ns + np.maximum(event_ns - windows.late_ns, 0)
    over_ns = np.minimum(event_ns + windows.reach_ns[:, None], windows.dropouts.watched.total_ns) + windows.side_ns
    hit = Watched.union(begun_ns.ravel(), over_ns.ravel())
    # How much of that lies in each neighbourhood; where nothing was watched, nothing is told.
    bounds_ns, window = windows.near
    (low_ns, high_ns), (hit_low_ns, hit_high_ns) = bounds_ns, hit.before(bounds_ns)
    share = np.where(high_ns > low_ns, (hit_high_ns - hit_low_ns) / np.maximum(high_ns - low_ns, 1), 1.0)
    added = np.bincount(window, weights=share, minlength=len(windows.reach_ns))
    return np.asarray(added / np.maximum(windows.n_independent, 1), np.float64)


def by_shifting(windows: Windows, counts: Counts, w: int, kind: EventKind, worth: float) -> float:
    """Give the share of shifts of the record that show as many hits in a window as there are; 0: none does.

    Parameters
    ----------
    w : which of the windows
    worth : a share beyond this is not told more closely
    """
    reach_ns, n = int(windows.reach_ns[w]), int(windows.n_independent[w])
    share = 0.0
    for n_shifts in _SHIFTS:
        moved_ns, inside = windows.moved(w, min(n_shifts, max(99, _MOST_PLACES // max(1, n))))
        # Which of the moved dropouts that can be told have an event before them.
        n_before = np.searchsorted(kind.t_ns, moved_ns + windows.late_ns, side="right")
        hit = (n_before > 0) & (moved_ns - kind.t_ns[n_before - 1] <= reach_ns) & inside
        # As large a share of them as really had one; shifts that leave fewer than half tell nothing.
        n_inside = inside.sum(axis=0)
        as_many = hit.sum(axis=0) * n >= int(counts.n_hit[w]) * n_inside
        share = float(np.mean(as_many & (2 * n_inside >= n)))
        if share > worth:
            break
    return share
