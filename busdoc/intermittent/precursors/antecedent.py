"""What comes before the dropouts: every kind of event that the record holds, each tested against chance.

Takes dropouts (`Dropouts`, of a controller, a group, or all) and kinds of events; gives one `Antecedent` for each pair,
found or not, so that the caller can correct for all that was tried, measured values included.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.dropouts import Dropouts
from busdoc.intermittent.precursors.antecedent_scan import WINDOWS_S, Scan, scan
from busdoc.intermittent.precursors.antecedent_shift import by_shifting, hang_together, join_alike, may_be_found
from busdoc.intermittent.precursors.antecedent_unsure import scan_unsure
from busdoc.intermittent.precursors.coincidence import covered_share
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource
from busdoc.intermittent.rate_tests import binomial_interval
from busdoc.times import SECOND_NS

__all__ = ["FOUND_AT", "LEAST_EVENTS", "Antecedent", "find_antecedents"]

FOUND_AT = 0.05
"""A kind of event is said to go before dropouts at this p, corrected for all that was tried."""
LEAST_EVENTS = 3
"""Fewer events of a kind than this can prove nothing, and are not tried."""
_LEAST_DROPOUTS = 3
_WORTH_JOINING = 0.05
"""Kinds with a higher p are never told of, so it does not matter which of them happen together."""
_AS_GOOD = 4.0
"""The shortest window is told whose p is within this factor of the best one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Antecedent:
    """One kind of event against one set of dropouts."""

    name: str
    """The kind, in words for a person."""
    source: EventSource
    controller: str | None
    """Who said so."""
    signal: str | None
    """``Message.Signal``, where the kind is one."""
    controllers: tuple[str, ...]
    """Whose dropouts; empty: anybody's."""
    aliases: tuple[str, ...]
    """Kinds that happen at the same moments, so that nothing can tell them apart."""
    window_s: float
    """A dropout counts as preceded with such an event in these seconds before it."""
    n_dropouts: int
    n_preceded: int
    n_events: int
    n_followed: int
    """Events with a dropout in the window after them."""
    by_chance: float
    """Share of the dropouts that would be preceded by chance."""
    trigger_by_chance: float
    """Share of the events that would be followed by chance."""
    n_independent: int
    """Dropouts that the p counts: of a burst only the first."""
    n_independent_preceded: int
    explained: float
    """Share of the dropouts that chance leaves and the kind explains: 1 all of them, 0 none."""
    explained_low: float
    explained_high: float
    """Exact 95 % interval (Clopper & Pearson 1934), carried over."""
    lag_s: tuple[float, float, float] | None
    """Quartiles of the time from the event to the dropout, of those preceded; None: none was."""
    order_unclear: bool
    """Most of the events may be answers to the loss: they lie between the last frame seen and the first one missed, or
    were written down for a later time."""
    is_sure: bool
    """The times of the events are as sure as the capture's own."""
    p: float
    """Corrected for the windows that were tried, and for nothing else."""
    chances: tuple[tuple[int, float], ...] = ()
    """For each of those windows: how many dropouts the p counts, and the share that would be preceded by chance
    (see `antecedent_attained`). Empty where a p of any size can come about."""
    p_holm: float = 1.0
    """Corrected for everything that was tried (Holm 1979); 1 until the caller has done so."""
    q_bh: float = 1.0
    """Corrected likewise (Benjamini & Hochberg 1995)."""

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
    def lift(self) -> float:
        """How many times as many dropouts are preceded as chance makes it; infinite where chance makes none."""
        if self.n_preceded == 0:
            return 0.0
        return self.n_preceded / self.expected_by_chance if self.expected_by_chance > 0.0 else np.inf

    @property
    def found(self) -> bool:
        """Tell whether it goes before the dropouts more often than chance, given all that was tried."""
        return self.p_holm <= FOUND_AT

    @property
    def subject(self) -> str:
        """The kind as the subject of a sentence."""
        return f'the event "{self.name}"'

    @property
    def words(self) -> str:
        """Say what was counted, in one sentence."""
        text = f"{self.n_preceded} of {self.n_dropouts} dropouts came within {self.window_s:g} s after {self.subject}"
        if not self.is_sure:
            text += ", as far as its times were written down"
        text += f"; by chance {_about(self.expected_by_chance)} would have"
        if self.order_unclear:
            when = (
                "It shows only as the controller falls silent" if self.is_sure else "Most were written down for later"
            )
            return f"{text}. {when}, so it may be an answer to the loss."
        if self.lag_s is not None and self.is_sure:
            first, last = _seconds(self.lag_s[0]), _seconds(self.lag_s[2])
            text += f". Half of them came {first if first == last else f'{first} to {last}'} s after it"
        return f"{text}. A dropout came after {self.n_followed} of {self.n_events} such events."

    def corrected(self, p_holm: float, q_bh: float) -> "Antecedent":
        """Take the p-values that were corrected over everything that was tried."""
        return replace(self, p_holm=p_holm, q_bh=q_bh)


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
    sure, unsure = [kind for kind in tried if kind.is_sure], [kind for kind in tried if not kind.is_sure]
    found: list[Antecedent] = []
    for one in dropouts:
        if len(one) < _LEAST_DROPOUTS or not tried:
            continue
        own = [*_test_sure(one, sure, windows_s), *_test_unsure(one, unsure, windows_s)]
        found += sorted(own, key=lambda test: (test.p, -test.explained, test.name))
    return tuple(found)


def _test_sure(dropouts: Dropouts, kinds: Sequence[EventKind], windows_s: Sequence[float]) -> list[Antecedent]:
    if not kinds:
        return []
    counted = scan(dropouts, kinds, windows_s)
    usable = counted.n_independent >= _LEAST_DROPOUTS
    p: Float64Array = np.where(usable[:, None], counted.p, 1.0)
    n_windows = max(1, int(usable.sum()))
    together = [w for w in np.flatnonzero(usable).tolist() if hang_together(dropouts, counted, w)]
    for w, k in may_be_found(counted, usable, p, together):
        p[w, k] = max(p[w, k], by_shifting(dropouts, counted, w, k, kinds[k], windows_s[w]))
    best = np.argmax(p <= p.min(axis=0) * _AS_GOOD, axis=0)
    corrected = np.minimum(1.0, p[best, np.arange(len(kinds))] * n_windows)
    aliases = _aliases(kinds, np.flatnonzero(corrected <= _WORTH_JOINING))
    return [
        _antecedent(dropouts, kinds[k], names, counted, int(best[k]), k, windows_s, float(corrected[k]))
        for k, names in aliases.items()
    ]


def _aliases(kinds: Sequence[EventKind], telling: Int64Array) -> dict[int, tuple[str, ...]]:
    """Give each kind that stands for itself, and the names of those that happen together with it."""
    place = {id(kinds[k]): k for k in telling.tolist()}
    joined = {place[id(one.kind)]: one.aliases for one in join_alike([kinds[k] for k in telling.tolist()])}
    away = set(place.values()) - set(joined)
    return {k: joined.get(k, ()) for k in range(len(kinds)) if k not in away}


def _antecedent(
    dropouts: Dropouts,
    kind: EventKind,
    aliases: tuple[str, ...],
    counted: Scan,
    w: int,
    k: int,
    windows_s: Sequence[float],
    p: float,
) -> Antecedent:
    window_ns = round(windows_s[w] * SECOND_NS)
    lag_ns = counted.lag_ns[k]
    preceded: BoolArray = lag_ns <= window_ns
    chance = float(counted.share[w, k])
    explained = _explained(int(counted.n_hit[w, k]), int(counted.n_independent[w]), chance)
    return Antecedent(
        name=kind.name,
        source=kind.source,
        controller=kind.controller,
        signal=kind.signal,
        controllers=dropouts.controllers,
        aliases=aliases,
        window_s=windows_s[w],
        n_dropouts=len(dropouts),
        n_preceded=int(preceded.sum()),
        n_events=int(counted.n_events[k]),
        n_followed=int(counted.n_followed[w, k]),
        by_chance=chance,
        trigger_by_chance=_trigger_by_chance(dropouts, window_ns),
        n_independent=int(counted.n_independent[w]),
        n_independent_preceded=int(counted.n_hit[w, k]),
        explained=explained[0],
        explained_low=explained[1],
        explained_high=explained[2],
        lag_s=_quartiles(dropouts, lag_ns, preceded),
        order_unclear=bool(preceded.any() and np.mean(lag_ns[preceded] < 0) > 0.5),
        is_sure=True,
        p=p,
        chances=tuple(
            (n, share)
            for n, share in zip(counted.n_independent.tolist(), counted.share[:, k].tolist(), strict=True)
            if n >= _LEAST_DROPOUTS
        ),
    )


def _test_unsure(dropouts: Dropouts, kinds: Sequence[EventKind], windows_s: Sequence[float]) -> list[Antecedent]:
    tests = []
    for kind in kinds:
        counted = scan_unsure(dropouts, kind, windows_s)
        explained = _explained(counted.n_hit, counted.n_independent, counted.share)
        tests.append(
            Antecedent(
                name=kind.name,
                source=kind.source,
                controller=kind.controller,
                signal=kind.signal,
                controllers=dropouts.controllers,
                aliases=(),
                window_s=counted.window_s,
                n_dropouts=len(dropouts),
                n_preceded=counted.n_preceded,
                n_events=counted.n_events,
                n_followed=counted.n_followed,
                by_chance=counted.share,
                trigger_by_chance=_trigger_by_chance(dropouts, round(counted.reach_s * SECOND_NS)),
                n_independent=counted.n_independent,
                n_independent_preceded=counted.n_hit,
                explained=explained[0],
                explained_low=explained[1],
                explained_high=explained[2],
                lag_s=counted.lag_s,
                order_unclear=counted.lag_s is not None and counted.lag_s[1] < 0.0,
                is_sure=False,
                p=counted.p,
            )
        )
    return tests


def _explained(k: int, n: int, chance: float) -> tuple[float, float, float]:
    """Give the share of what chance leaves that is preceded, with its interval."""
    if n == 0 or chance >= 1.0:
        return 0.0, 0.0, 1.0
    low, high = binomial_interval(k, n)
    shares = [max(0.0, (share - chance) / (1.0 - chance)) for share in (k / n, low, high)]
    return shares[0], shares[1], shares[2]


def _trigger_by_chance(dropouts: Dropouts, window_ns: int) -> float:
    """Give the share of the time watched after which a dropout comes within the window."""
    return covered_share(dropouts.last_seen_ns - window_ns, window_ns, dropouts.watched)


def _quartiles(dropouts: Dropouts, lag_ns: Int64Array, preceded: BoolArray) -> tuple[float, float, float] | None:
    """Give the quartiles of the time to the middle of what brackets each loss, s."""
    if not preceded.any():
        return None
    half_ns = (dropouts.onset_ns - dropouts.last_seen_ns)[preceded] // 2
    low, middle, high = np.quantile(np.maximum(lag_ns[preceded] + half_ns, 0) / SECOND_NS, (0.25, 0.5, 0.75)).tolist()
    return low, middle, high


def _about(number: float) -> str:
    return "less than 0.1" if number < 0.1 else f"{number:.1f}" if number < 9.95 else f"{number:.0f}"


def _seconds(seconds: float) -> str:
    return f"{seconds:.2f}" if seconds < 0.995 else f"{seconds:.1f}" if seconds < 9.95 else f"{seconds:.0f}"
