"""Rhythm: whether a stream is cyclic, its period, its jitter, and how long a silence must be to count as missing.

Learnt from a stream's histogram of intervals (`busdoc.health.streams.track`), so it needs the arrivals themselves no
more.

A stream is cyclic when most of its time is spent in intervals of one length (a fixed period, also with extra frames on
change in between, or several frames in one go), or in intervals like the ones before them (a period that follows the
engine). Its silence then proves something. Everything else is event driven: its frames prove presence, its silence
proves nothing.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.health.streams.interval import BINS_PER_OCTAVE, N_BINS, bin_edges_ns, interval_bin
from busdoc.machine.controller_spec import PeriodFrom
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["EVENT_DRIVEN", "LONGEST_DEADLINE", "Rhythm", "declared_rhythm", "learn_rhythm", "patient"]

_MAD_TO_SIGMA = 1.482602218505602  # 1 / Phi^-1(3/4), for a normal spread
_EDGES_NS: Float64Array = bin_edges_ns()
_MIDDLES_NS: Float64Array = (_EDGES_NS[1:] + _EDGES_NS[:-1]) / 2

_HALF_WINDOW = 4
"""Bins to each side of a period that belong to it: about a fifth more or less."""
_THRICE = 26
"""Bins up to three times a length."""
_MIN_INTERVALS = 4
"""A rhythm takes at least this many intervals of its length."""
_MIN_LASTED_NS = 200 * MILLISECOND_NS
"""And so much time: a few frames in one go are no rhythm."""
_SHORTEST_NS = 800_000
"""No identifier is sent cyclically more often than every millisecond (common practice); what is closer is one burst."""
_MIN_SHARE = 0.5
"""Least share of a stream's running time that its rhythm must explain; Poisson arrivals reach 0.28 in any window."""
_FEW_SHARE = 0.8
"""Over the square root of their number: how much more it takes while there are few, which chance may line up."""
_RARE = 0.03
_MOSTLY_SILENT = 0.8
"""Bursts look cyclic within themselves: more than `_RARE` of the intervals are pauses that take this share of time…"""
_OFTEN = 0.1
_OFTEN_SILENT = 0.4
"""… or they are this often, and take this share."""
_MIN_REGULAR = 4
"""So many regular intervals show that a length is part of the rhythm."""

_SHORTEST_DEADLINE = 2.25
"""Periods: a single lost frame is no loss (error frames and overruns take single frames on a healthy bus)."""
LONGEST_DEADLINE = 2.9
"""Periods: every silence of three must be found, unless the stream itself pauses that long again and again."""
_PAUSES_ITSELF = 0.002
_ENOUGH_BEYOND = 5
"""So many longer intervals are no fault that came once or twice."""
_MOST_WAITED = 25.0
"""Periods: no stream of a healthy bus waits longer than that."""
_QUEUED_FROM = 1.5
"""Periods: what is longer waited, or was lost."""
_MORE_BY_CHANCE = 4
"""So many more waits than half as long are not chance, where those should be fewer."""
_SHORTEST_BIN = int(interval_bin(np.array([_SHORTEST_NS]))[0])
_FALSE_LOSS_NS = 100 * 3600 * SECOND_NS
"""One false loss in 100 h of healthy traffic is too many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """How one stream beats."""

    cyclic: bool
    period_ns: int | None
    jitter_ns: int | None
    """Robust standard deviation of the intervals about the period."""
    slowest_ns: int | None
    """The longest interval that belongs to the rhythm: the period, or the slow end of one that follows the engine."""
    deadline_ns: int | None
    exact_period_ns: float | None
    """Mean of the intervals of this length, for following the phase; None when the period is not fixed."""
    period_from: PeriodFrom = PeriodFrom.LEARNT
    late_ns: int | None = None
    """How long a busy bus makes it wait, which counts where that is more than `deadline_ns`."""


EVENT_DRIVEN = Rhythm(
    cyclic=False, period_ns=None, jitter_ns=None, slowest_ns=None, deadline_ns=None, exact_period_ns=None
)


def learn_rhythm(
    count: Int64Array, sum_ns: Int64Array, regular_count: Int64Array, regular_ns: Int64Array, sample_ns: Int64Array
) -> Rhythm:
    """Learn a stream's rhythm from its intervals.

    Parameters
    ----------
    count, sum_ns : (N_BINS,) number and sum of the intervals in each bin
    regular_count, regular_ns : (N_BINS,) the same of the intervals that are like the two before them
    sample_ns : (k,) a thinned sample of the intervals, for the jitter

    Returns
    -------
    Rhythm : not cyclic when there are too few intervals to tell
    """
    n_intervals = int(count.sum())
    if n_intervals < _MIN_INTERVALS:
        return EVENT_DRIVEN
    centre = _fixed_period_bin(count, sum_ns)
    regular_edge = _last_bin_with(regular_count, _MIN_REGULAR)
    if centre is not None:
        window = slice(max(0, centre - _HALF_WINDOW), centre + _HALF_WINDOW + 1)
        exact_ns = float(sum_ns[window].sum() / count[window].sum())
        slowest_ns = exact_ns
        if regular_edge is not None and regular_edge > centre + _HALF_WINDOW:
            slowest_ns = float(regular_ns[regular_edge] / regular_count[regular_edge])
        period_ns = exact_ns
        fixed = True
    elif regular_edge is not None and _follows_itself(count, sum_ns, regular_ns, regular_edge):
        slowest_ns = float(regular_ns[regular_edge] / regular_count[regular_edge])
        middle = int(np.searchsorted(np.cumsum(count), (n_intervals + 1) // 2))
        period_ns = float(sum_ns[middle] / count[middle]) if count[middle] else float(_MIDDLES_NS[middle])
        fixed = False
    else:
        return EVENT_DRIVEN
    return Rhythm(
        cyclic=True,
        period_ns=round(period_ns),
        jitter_ns=_jitter(sample_ns, period_ns),
        slowest_ns=round(slowest_ns),
        deadline_ns=round(_deadline(count, slowest_ns)),
        exact_period_ns=period_ns if fixed else None,
        late_ns=_late(count, slowest_ns),
    )


def declared_rhythm(period_ns: int, period_from: PeriodFrom, learnt: Rhythm, n_intervals: int) -> Rhythm:
    """Settle the rhythm of a stream whose period the map or the database gives.

    What the stream was seen to do decides the deadline once there is enough of it: a wrong number in a database must
    not accuse a controller.
    """
    if learnt.cyclic and learnt.deadline_ns is not None and learnt.slowest_ns is not None:
        return Rhythm(
            cyclic=True,
            period_ns=period_ns,
            jitter_ns=learnt.jitter_ns,
            slowest_ns=learnt.slowest_ns,
            deadline_ns=learnt.deadline_ns,
            exact_period_ns=learnt.exact_period_ns,
            period_from=period_from,
            late_ns=learnt.late_ns,
        )
    if n_intervals >= 4 * _MIN_INTERVALS:  # enough to see that it does not keep the period
        return Rhythm(
            cyclic=False,
            period_ns=period_ns,
            jitter_ns=None,
            slowest_ns=None,
            deadline_ns=None,
            exact_period_ns=None,
            period_from=period_from,
        )
    return Rhythm(
        cyclic=True,
        period_ns=period_ns,
        jitter_ns=None,
        slowest_ns=period_ns,
        deadline_ns=round(LONGEST_DEADLINE * period_ns),
        exact_period_ns=None,
        period_from=period_from,
    )


def patient(rhythm: Rhythm) -> Rhythm:
    """Give a cyclic rhythm with the longest deadline at which a silence of three periods is still found."""
    longest_ns = round(LONGEST_DEADLINE * (rhythm.slowest_ns or 0))
    return replace(rhythm, deadline_ns=max(rhythm.deadline_ns or 0, longest_ns))


def _fixed_period_bin(count: Int64Array, sum_ns: Int64Array) -> int | None:
    """Find the shortest length at which the stream spends most of its running time, or None."""
    count_upto = np.concatenate((np.zeros(1, np.int64), np.cumsum(count)))
    time_upto = np.concatenate((np.zeros(1, np.int64), np.cumsum(sum_ns)))
    centre = np.arange(N_BINS)
    low = np.maximum(centre - _HALF_WINDOW, 0)
    high = np.minimum(centre + _HALF_WINDOW + 1, N_BINS)
    thrice = np.minimum(centre + _THRICE, N_BINS)
    n_of_length = count_upto[high] - count_upto[low]
    time_of_length = time_upto[high] - time_upto[low]
    running = np.maximum(time_upto[thrice], 1)
    n_pauses = count_upto[-1] - count_upto[thrice]
    paused = time_upto[-1] - time_upto[thrice]
    total = time_upto[-1]
    bursts = (n_pauses >= 3) & (
        ((n_pauses > _RARE * n_of_length) & (paused > _MOSTLY_SILENT * total))
        | ((n_pauses > _OFTEN * n_of_length) & (paused > _OFTEN_SILENT * total))
    )
    least_share = _MIN_SHARE + _FEW_SHARE / np.sqrt(np.maximum(n_of_length, 1))
    lasted = (n_of_length >= _MIN_INTERVALS) & (time_of_length >= _MIN_LASTED_NS) & (centre >= _SHORTEST_BIN)
    candidate = lasted & (time_of_length >= least_share * running) & ~bursts
    if not candidate.any():
        return None
    first = int(np.argmax(candidate))
    near = slice(first, min(first + BINS_PER_OCTAVE, N_BINS))
    explained = np.where(candidate[near], time_of_length[near], 0)
    best = np.flatnonzero(explained == explained.max()) + first
    return int(best[len(best) // 2])


def _follows_itself(count: Int64Array, sum_ns: Int64Array, regular_ns: Int64Array, edge: int) -> bool:
    """Tell whether most of the running time is spent in intervals like the ones before them."""
    thrice = min(edge + _THRICE, N_BINS)
    if edge < _SHORTEST_BIN or regular_ns[: edge + 1].sum() < _MIN_LASTED_NS:
        return False
    n_pauses, paused = int(count[thrice:].sum()), int(sum_ns[thrice:].sum())
    n, total = int(count.sum()), int(sum_ns.sum())
    if n_pauses >= 3 and (
        (n_pauses > _RARE * n and paused > _MOSTLY_SILENT * total)
        or (n_pauses > _OFTEN * n and paused > _OFTEN_SILENT * total)
    ):
        return False
    least_share = _MIN_SHARE + _FEW_SHARE / math.sqrt(max(int(count[:thrice].sum()), 1))
    return bool(regular_ns[: edge + 1].sum() >= least_share * max(int(sum_ns[:thrice].sum()), 1))


def _last_bin_with(count: Int64Array, at_least: int) -> int | None:
    """Find the bin down to which the longest `at_least` intervals reach."""
    from_top = np.cumsum(count[::-1])
    if from_top[-1] < at_least:
        return None
    return int(N_BINS - 1 - np.argmax(from_top >= at_least))


def _jitter(sample_ns: Int64Array, period_ns: float) -> int:
    """Give the robust spread of the intervals that belong to the period, as a standard deviation."""
    belongs = sample_ns[(sample_ns > 0.5 * period_ns) & (sample_ns < 1.6 * period_ns)]
    if not len(belongs):
        return 0
    return round(_MAD_TO_SIGMA * float(np.median(np.abs(belongs - np.median(belongs)))))


def _tail(healthy: Int64Array, slowest_ns: float, share: float) -> float:
    """Carry the upper tail of a stream's intervals on to less than one in 100 hours.

    The tail between ten times a share of the longest intervals and that share is carried on exponentially, which is
    heavier than what queueing behind higher priorities leaves.
    """
    upto = np.cumsum(healthy)
    n = int(upto[-1])
    often = float(_EDGES_NS[int(np.searchsorted(upto, (1.0 - 10.0 * share) * n)) + 1])
    seldom = float(_EDGES_NS[int(np.searchsorted(upto, (1.0 - share) * n)) + 1])
    decades = max(0.0, math.log10(_FALSE_LOSS_NS / slowest_ns) + math.log10(share))
    return seldom + decades * (seldom - often)


def _up_to(count: Int64Array, longest_ns: float) -> Int64Array:
    return count[: int(interval_bin(np.array([round(longest_ns)]))[0]) + 1]


def _queued(count: Int64Array, slowest_ns: float) -> Int64Array:
    """Give the intervals that a queue may have made: the longer a wait, the rarer.

    A controller that drops out again and again is silent for far longer than it ever waited, with fewer silences, or
    none, in between: from there on the silences are no waits, however many there are.
    """
    low = _up_to(count, _QUEUED_FROM * slowest_ns)
    edge = len(low)
    end = len(_up_to(count, _MOST_WAITED * slowest_ns))
    shorter = int(count[edge : min(edge + BINS_PER_OCTAVE, end)].sum())
    for begin in range(edge + BINS_PER_OCTAVE, end, BINS_PER_OCTAVE):
        longer = int(count[begin : min(begin + BINS_PER_OCTAVE, end)].sum())
        if longer > 2 * shorter + _MORE_BY_CHANCE:
            return count[:begin]
        shorter = longer
    return count[:end]


def _deadline(count: Int64Array, slowest_ns: float) -> float:
    """Set the deadline from the upper tail of the stream's own intervals."""
    healthy = _up_to(count, 3.0 * slowest_ns)
    tail_ns = _tail(healthy, slowest_ns, 1e-3)
    shortest_ns = _SHORTEST_DEADLINE * slowest_ns
    beyond = int(healthy[int(interval_bin(np.array([round(shortest_ns)]))[0]) + 1 :].sum())
    if beyond > _PAUSES_ITSELF * int(healthy.sum()) and beyond >= _MIN_INTERVALS:
        return max(shortest_ns, tail_ns)
    return float(np.clip(tail_ns, shortest_ns, LONGEST_DEADLINE * slowest_ns))


def _late(count: Int64Array, slowest_ns: float) -> int | None:
    """Say how long a stream may have to wait on its own bus; None from too few intervals to see a tail.

    One of low priority waits behind whatever the others send in one go, many periods of its own if it is a fast one.
    """
    healthy = _queued(count, slowest_ns)
    shares = [share for share in (1e-3, 1e-4) if int(healthy.sum()) * share >= _ENOUGH_BEYOND]
    if not shares:
        return None
    return round(min(max(_tail(healthy, slowest_ns, share) for share in shares), _MOST_WAITED * slowest_ns))
