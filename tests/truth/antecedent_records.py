"""Drawn times with known truth: dropouts, and what goes before them or does not.

Times alone, no frames: two hours, 220 kinds of events or more in each record, whatever makes chance look like a cause:
bursts, duty cycles, work that brings events and dropouts together, exact timers, dropouts that breed dropouts, and
events that answer to each dropout.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.intermittent.dropouts import SETTLE_NS, Dropouts, Watched
from busdoc.intermittent.multiple_testing import attained, holm
from busdoc.intermittent.precursors.antecedent import Antecedent, find_antecedents
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at
from tests.truth.by_chance.background_signals import Habit, event_times

__all__ = ["Record", "Way", "draw_null", "draw_power", "judged"]

_NS = 10**9
_UNTIL_S = 7200.0
_REST_S = 9.0
_LEVEL = 0.05
_MATCH_S = 1.2


class Way(StrEnum):
    """How dropouts lie in time when nothing goes before them."""

    STEADY = "steady"
    BURSTY = "bursty"
    DUTY = "duty cycle"
    REGULAR = "regular"
    TIMER = "exact timer"
    BREEDING = "one breeds another"
    WORK = "only at work, as the events"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """Dropouts and kinds of events; the true causes come first."""

    dropouts: Dropouts
    kinds: tuple[EventKind, ...]
    due: tuple[int, ...] = ()
    """Dropouts that each true cause made."""


def draw_null(way: Way, seed: int, *, until_s: float = _UNTIL_S, n_switches: int = 110) -> Record:
    """Draw a record in which nothing goes before the dropouts."""
    rng = np.random.default_rng([seed, list(Way).index(way), 1])
    work = _work(rng, until_s)
    times_s = _lost(rng, way, float(np.exp(rng.uniform(np.log(3.0), np.log(60.0)))), until_s, work)
    dropouts = _dropouts(rng, times_s, until_s)
    return Record(dropouts=dropouts, kinds=tuple(_background(rng, dropouts, until_s, work, n_switches)))


def draw_power(
    seed: int, *, until_s: float = _UNTIL_S, n_causes: int = 1, n_due: tuple[float, float] = (12.0, 30.0)
) -> Record:
    """Draw a record with one or two causes, each making a dropout with 0.2 to 0.9, 0.05 to 3 s later."""
    rng = np.random.default_rng([seed, n_causes, 2])
    work = _work(rng, until_s)
    made, causes = [], []
    for k in range(n_causes):
        share = float(rng.uniform(0.2, 0.9))
        habit = list(Habit)[int(rng.integers(len(Habit)))]
        on_s = event_times(rng, habit, float(rng.uniform(*n_due)) / share, until_s)
        on_s = on_s[np.diff(on_s, prepend=-_REST_S) > _REST_S / 2.0]
        least_s = float(rng.uniform(0.05, 1.5))
        takes = rng.random(len(on_s)) < share
        made.append(on_s[takes] + rng.uniform(least_s, float(rng.uniform(least_s, 3.0)), int(takes.sum())))
        period_s = float(rng.choice((0.1, 0.25, 0.5, 1.0)))
        shown_s = np.ceil(on_s / period_s) * period_s  # a signal shows it in its next frame
        causes.append(_kind(f"cause {k}", shown_s))
    n_made = sum(len(one) for one in made)
    by_itself = _lost(rng, Way.BURSTY, float(rng.uniform(0.0, 0.3)) * n_made, until_s, work)
    dropouts = _dropouts(rng, np.concatenate((*made, by_itself)), until_s)
    seen_s = dropouts.last_seen_ns / _NS
    due = tuple(int((np.abs(seen_s[:, None] - one).min(axis=1, initial=np.inf) < _MATCH_S).sum()) for one in made)
    background = _background(rng, dropouts, until_s, work, 110)
    return Record(dropouts=dropouts, kinds=(*causes, *background), due=due)


def judged(record: Record) -> list[Antecedent]:
    """Search, and correct for all that was tried; what is found comes first, by what it explains."""
    tests = find_antecedents([record.dropouts], record.kinds)
    p_holm = holm(np.array([test.p for test in tests]), attained([test.chances for test in tests])).tolist()
    found = [test.corrected(p, p) for test, p in zip(tests, p_holm, strict=True) if p <= _LEVEL]
    return sorted(found, key=lambda test: (test.order_unclear, -test.explained, test.p))


def _lost(rng: np.random.Generator, way: Way, n: float, until_s: float, work: Float64Array) -> Float64Array:
    """Draw when dropouts come."""
    if way is Way.TIMER:
        pause_s = until_s / max(n, 4.0)
        return np.asarray(np.arange(rng.uniform(5.0, pause_s), until_s, pause_s))
    if way is Way.WORK:
        return _at_work(rng, n, work)
    if way is Way.BREEDING:
        times = event_times(rng, Habit.STEADY, n / 2.5, until_s).tolist()
        for t in times:  # the list grows while it is gone through
            if rng.random() < 0.6 and len(times) < 200:
                times.append(t + 10.0 + float(rng.exponential(float(rng.choice((3.0, 30.0))))))
        return np.sort(np.array(times))
    return event_times(rng, Habit(way.value), n, until_s)


def _work(rng: np.random.Generator, until_s: float) -> Float64Array:
    """Draw spells of work, (n, 2), half a minute to ten minutes long, with pauses like them."""
    edges = np.cumsum(np.exp(rng.uniform(np.log(30.0), np.log(600.0), 400)))
    edges = edges[edges < until_s]
    return np.asarray(edges[: len(edges) // 2 * 2].reshape(-1, 2))


def _at_work(rng: np.random.Generator, n: float, work: Float64Array) -> Float64Array:
    """Draw times that lie in spells of work alone."""
    length = np.cumsum(work[:, 1] - work[:, 0])
    at = np.sort(rng.uniform(0.0, length[-1], int(rng.poisson(n))))
    spell = np.searchsorted(length, at)
    return np.asarray(work[spell, 1] - (length[spell] - at))


def _dropouts(rng: np.random.Generator, times_s: Float64Array, until_s: float) -> Dropouts:
    """Let one controller of 100 ms fall at these times, away for 1 to 5 s; not again while it comes back."""
    kept: list[float] = []
    for t in np.sort(times_s).tolist():
        if 5.0 < t < until_s - 10.0 and (not kept or t - kept[-1] >= _REST_S):
            kept.append(t)
    last_ns = _ns(np.array(kept) - rng.uniform(0.0, 0.1, len(kept)))
    over_ns = last_ns + _ns(rng.uniform(1.0, 5.0, len(kept)))
    spans = [(a, b + SETTLE_NS) for a, b in zip(last_ns.tolist(), over_ns.tolist(), strict=True)]
    return Dropouts(
        controllers=("hopper",),
        last_seen_ns=last_ns,
        onset_ns=last_ns + _NS // 10,
        over_ns=over_ns,
        watched=Watched.between(0, round(until_s * _NS), spans),
    )


def _background(
    rng: np.random.Generator, dropouts: Dropouts, until_s: float, work: Float64Array, n_switches: int
) -> Iterator[EventKind]:
    """Draw switches that go on and off for reasons of their own, and some that answer to the dropouts."""
    for k in range(n_switches):
        n = float(np.exp(rng.uniform(np.log(4.0), np.log(until_s / 20.0))))
        kind = int(rng.integers(6))
        if kind < len(Habit):
            on_s = event_times(rng, list(Habit)[kind], n, until_s)
        elif kind == len(Habit):
            on_s = _at_work(rng, n, work)
        else:
            on_s = np.arange(rng.uniform(0.0, 60.0), until_s, until_s / n)
        room_s = np.diff(np.append(on_s, np.inf))
        off_s = on_s + np.minimum(rng.exponential(float(rng.uniform(1.0, 60.0)), len(on_s)) + 0.3, 0.6 * room_s)
        yield _kind(f"switch {k} on", on_s)
        yield _kind(f"switch {k} off", off_s)
    lost_s, over_s = dropouts.onset_ns / _NS, dropouts.over_ns / _NS
    yield _kind("answer to the loss", lost_s + 0.5)
    yield _kind("answer to the return", over_s + 0.5)
    for late_s in (2.0, 5.0, 20.0, 60.0):
        yield _kind(f"reset {late_s:g} s late", over_s + late_s * rng.uniform(0.8, 1.2, len(over_s)))


def _kind(name: str, at_s: Float64Array) -> EventKind:
    return events_at(name, EventSource.SIGNAL, _ns(np.asarray(at_s)))


def _ns(at_s: Float64Array) -> Int64Array:
    return np.asarray(np.round(at_s * _NS), np.int64)
