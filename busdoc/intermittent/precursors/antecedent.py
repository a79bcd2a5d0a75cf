"""What comes before the dropouts: every kind of event that the record holds, each tested against chance.

Takes dropouts (`Dropouts`, of a controller, a group, or all) and kinds of events; gives one `Antecedent` for each pair,
found or not, so that the caller can correct for all that was tried, measured values included.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.binomial import binomial_interval
from busdoc.intermittent.dropouts import LEAST_DROPOUTS, Dropouts
from busdoc.intermittent.precursors.antecedent_scan import WINDOWS_S, Counts, Windows, by_shifting, scan, windows_for
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource
from busdoc.intermittent.precursors.precursor import Precursor, explained_share
from busdoc.times import MILLISECOND_NS, SECOND_NS
from busdoc.words.counting import counted

__all__ = ["LEAST_EVENTS", "Antecedent", "find_antecedents"]

LEAST_EVENTS = 3
"""Fewer events of a kind than this can prove nothing, and are not tried."""
_TELLING_AT = 0.05
"""Kinds with a higher p are never told of, so nothing more is asked about them."""
_AS_GOOD = 4.0
"""The shortest window is told whose p is within this factor of the best one."""
_TOGETHER_NS = 500 * MILLISECOND_NS
"""An echo may take a few periods of its message (common practice)."""
_SHARE_TOGETHER = 0.9
"""Of the events of either kind that must have the other beside them."""
_SPARSE = 8
"""Events must come so many times further apart, in the middle, than what counts as the same moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Antecedent(Precursor):
    """One kind of event against one set of dropouts."""

    source: EventSource
    controller: str | None
    """Who said so."""
    aliases: tuple[str, ...] = ()
    """Kinds that happen at the same moments, so that nothing can tell them apart."""
    n_preceded: int
    """Dropouts with such an event in the window before them."""
    n_events: int
    n_followed: int
    """Events with a dropout in the window after them."""
    by_chance: float
    """Share of the dropouts that would be preceded by chance."""
    trigger_by_chance: float
    """Share of the events that would be followed by chance."""
    explained_low: float
    explained_high: float
    """Exact 95 % interval (Clopper & Pearson 1934), carried over."""
    lags_s: tuple[float, ...] = ()
    """Time from the event to each dropout, infinite where none came before it; empty where none is preceded."""
    order_unclear: bool
    """Most of the events may be answers to the loss: they lie between the last frame seen and the first one missed, or
    were written down for a later time."""
    is_sure: bool
    """The times of the events are as sure as the capture's own."""
    chances: tuple[tuple[int, float], ...]
    """For each window that was tried: dropouts that the p counts, and the share that would be preceded by chance."""

    @property
    def precursor_rate(self) -> float:
        """Share of the dropouts with such an event before them."""
        return self.n_preceded / self.n_dropouts if self.n_dropouts else 0.0

    @property
    def trigger_rate(self) -> float:
        """Share of the events with a dropout after them."""
        return self.n_followed / self.n_events if self.n_events else 0.0

    @property
    def expected_by_chance(self) -> float:
        """Dropouts that would be preceded by chance."""
        return self.by_chance * self.n_dropouts

    @property
    def preceded(self) -> BoolArray:
        """(n,) Mark the dropouts with such an event before them."""
        return np.array(self.lags_s) <= self.window_s

    @property
    def lag_s(self) -> tuple[float, float, float] | None:
        """Quartiles of the time from the event to the dropout, of those preceded; None: none was."""
        if not self.n_preceded:
            return None
        low, middle, high = np.quantile(np.sort(self.lags_s)[: self.n_preceded], (0.25, 0.5, 0.75)).tolist()
        return low, middle, high

    @property
    def can_be_provoked(self) -> bool:
        """Tell whether somebody could make it happen: a switch, a state, a command; not a code, nor a return."""
        return self.source in (EventSource.SIGNAL, EventSource.COMMAND, EventSource.JOURNAL)

    @property
    def subject(self) -> str:
        """The kind as the subject of a sentence."""
        return f'the event "{self.name}"'

    @property
    def words(self) -> str:
        """Say what was counted."""
        of_all = f"{self.n_preceded} of {counted(self.n_dropouts, self.called)}"
        text = f"{of_all} came within {self.window_s:g} s after {self.subject}"
        if not self.is_sure:
            text += ", as far as its times were written down"
        text += f"; by chance {_about(self.expected_by_chance)} would have"
        if self.order_unclear:
            falls = self.called == "dropout"
            shows = "It shows only as the controller falls silent" if falls else "It comes at the same moment"
            when = shows if self.is_sure else "Most were written down for later"
            return f"{text}. {when}, so it may be an answer to {'the loss' if falls else 'the fault'}."
        lag_s = self.lag_s
        if lag_s is not None and self.is_sure:
            first, last = _seconds(lag_s[0]), _seconds(lag_s[2])
            text += f". Half of them came {first if first == last else f'{first} to {last}'} s after it"
        return f"{text}. A {self.called} came after {self.n_followed} of {self.n_events} such events."


def find_antecedents(
    dropouts: Sequence[Dropouts], kinds: Sequence[EventKind], windows_s: Sequence[float] = WINDOWS_S
) -> tuple[Antecedent, ...]:
    """Hold every kind of event against every set of dropouts.

    Parameters
    ----------
    dropouts : sets with fewer than three dropouts are passed over
    kinds : those with fewer than three events are passed over; of those that seem to matter, the ones that happen at
        the same moments become one
    windows_s : how long before a dropout an event may be, s; the p-values pay for each

    Returns
    -------
    one for each set and kind tried, by set, then by p, then by what it explains
    """
    tried = [kind for kind in kinds if len(kind) >= LEAST_EVENTS]
    found: list[Antecedent] = []
    for one in dropouts:
        if len(one) < LEAST_DROPOUTS:
            continue
        sure = Windows(dropouts=one, lengths_s=tuple(windows_s))
        tests = [_antecedent(sure if kind.is_sure else windows_for(one, kind, windows_s), kind) for kind in tried]
        found += sorted(_joined(tests, tried), key=lambda test: (test.p, -test.explained, test.name))
    return tuple(found)


def _antecedent(windows: Windows, kind: EventKind) -> Antecedent:
    """Test one kind of event."""
    dropouts, counts = windows.dropouts, scan(windows, kind)
    p, n_windows = counts.p, max(1, int(windows.usable.sum()))
    # What may be told is held against the second null, as far as it decides which window tells most.
    shifted: set[int] = set()
    while p.min() * n_windows <= _TELLING_AT and (more := {int(p.argmin()), _best(p)} - shifted):
        for w in more:
            p[w] = max(p[w], by_shifting(windows, counts, w, kind, _TELLING_AT))
        shifted |= more
    w = _best(p)
    reach_ns, chance = int(windows.reach_ns[w]), float(counts.share[w])
    preceded: BoolArray = counts.lag_ns <= reach_ns
    n_hit, n_independent = int(counts.n_hit[w]), int(windows.n_independent[w])
    low, high = binomial_interval(n_hit, n_independent)
    return Antecedent(
        name=kind.name,
        source=kind.source,
        controller=kind.controller,
        signal=kind.signal,
        controllers=dropouts.controllers,
        window_s=windows.lengths_s[w],
        n_dropouts=len(dropouts),
        n_preceded=int(preceded.sum()),
        n_events=counts.n_events,
        n_followed=int(counts.n_followed[w]),
        by_chance=chance,
        trigger_by_chance=windows.followed_by_chance[w],
        explained=explained_share(n_hit, n_independent, chance),
        explained_low=explained_share(low, 1.0, chance),
        explained_high=explained_share(high, 1.0, chance) if chance < 1.0 else 1.0,
        lags_s=tuple(_to_the_loss_s(dropouts, counts).tolist()) if preceded.any() else (),
        order_unclear=bool(preceded.any() and np.mean(counts.lag_ns[preceded] < 0) > 0.5),
        is_sure=kind.is_sure,
        called=dropouts.called,
        p=min(1.0, float(p[w]) * n_windows),
        chances=tuple(
            zip(windows.n_independent[windows.usable].tolist(), counts.share[windows.usable].tolist(), strict=True)
        ),
    )


def _best(p: Float64Array) -> int:
    """Choose the shortest window with a p about as small as the smallest."""
    return int(np.argmax(p <= p.min() * _AS_GOOD))


def _to_the_loss_s(dropouts: Dropouts, counts: Counts) -> Float64Array:
    """(n,) Give the time from the last event to the middle of what brackets each loss, s."""
    half_ns = (dropouts.onset_ns - dropouts.last_seen_ns) // 2
    has_one = counts.lag_ns < np.iinfo(np.int64).max
    return np.where(has_one, np.maximum(counts.lag_ns + half_ns, 0) / SECOND_NS, np.inf)


def _joined(tests: Sequence[Antecedent], kinds: Sequence[EventKind]) -> list[Antecedent]:
    """Let kinds that happen at the same moments become one, under the name of the one that is the first of them."""
    kept: list[Antecedent] = []
    groups: list[list[tuple[Antecedent, EventKind]]] = []
    for test, kind in zip(tests, kinds, strict=True):
        if test.p > _TELLING_AT or not kind.is_sure:
            kept.append(test)
            continue
        group = next((group for group in groups if _are_alike(kind.t_ns, group[0][1].t_ns)), None)
        if group is None:
            groups.append([(test, kind)])
        else:
            group.append((test, kind))
    for group in groups:
        t_ns = group[0][1].t_ns
        (first, _), *others = sorted(group, key=lambda one: int(np.median(_since_nearest(one[1].t_ns, t_ns))))
        kept.append(replace(first, aliases=tuple(test.name for test, _ in others)))
    return kept


def _are_alike(t_ns: Int64Array, others_ns: Int64Array) -> bool:
    """Tell whether nine in ten events of either kind have one of the other beside them, where neither comes often."""
    if min(len(t_ns), len(others_ns)) < _SHARE_TOGETHER * max(len(t_ns), len(others_ns)):
        return False
    pauses_ns = [float(np.median(np.diff(of))) for of in (t_ns, others_ns)]
    pairs = ((t_ns, others_ns), (others_ns, t_ns))
    return min(pauses_ns) >= _SPARSE * _TOGETHER_NS and all(
        np.mean(np.abs(_since_nearest(*pair)) <= _TOGETHER_NS) >= _SHARE_TOGETHER for pair in pairs
    )


def _since_nearest(t_ns: Int64Array, others_ns: Int64Array) -> Int64Array:
    """(n,) Give how long after the nearest of the others each is; negative: before it."""
    after = np.searchsorted(others_ns, t_ns)
    since_ns = t_ns - others_ns[np.maximum(after - 1, 0)]
    until_ns = others_ns[np.minimum(after, len(others_ns) - 1)] - t_ns
    return np.asarray(np.where(np.abs(until_ns) < np.abs(since_ns), -until_ns, since_ns), np.int64)


def _about(number: float) -> str:
    return "less than 0.1" if number < 0.1 else f"{number:.1f}" if number < 9.95 else f"{number:.0f}"


def _seconds(seconds: float) -> str:
    return f"{seconds:.2f}" if seconds < 0.995 else f"{seconds:.1f}" if seconds < 9.95 else f"{seconds:.0f}"
