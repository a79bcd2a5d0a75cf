"""Dropouts that are looked into together, as arrays, and the time in which another one could have come.

A dropout's own doings are no sign of the next one: from the loss until its controllers were steady again, and a little
longer, nothing counts, neither as an event that goes before a dropout nor as time in which one could have come.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.health.incident import GapKind, Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.intermittent.groups import Group
from busdoc.isolation.suspects.losses import FALLS
from busdoc.isolation.verdict import Because
from busdoc.symptoms.spans import without
from busdoc.symptoms.symptom import ShowingSpan, Symptom
from busdoc.times import SECOND_NS

__all__ = [
    "ANSWER_NS",
    "LEAST_DROPOUTS",
    "SETTLE_NS",
    "DropoutSet",
    "Dropouts",
    "Watched",
    "dropout_sets",
    "falls_of",
    "power_ups_of",
    "showings_of",
    "unexplained_losses",
    "watched_of",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Watched:
    """The stretches in which a dropout could have come and would have been seen, ascending and apart."""

    from_ns: Int64Array
    to_ns: Int64Array

    @classmethod
    def between(cls, start_ns: int, until_ns: int, cut_out: Iterable[tuple[int, int]] = ()) -> "Watched":
        """Take a span, less the stretches that nobody watched or in which there was nothing to lose."""
        edge_ns = start_ns
        stretches: list[tuple[int, int]] = []
        for from_ns, to_ns in sorted(cut_out):
            if from_ns > edge_ns:
                stretches.append((edge_ns, min(from_ns, until_ns)))
            edge_ns = max(edge_ns, to_ns)
        stretches.append((edge_ns, until_ns))
        kept = [(a, b) for a, b in stretches if b > a]
        return cls(from_ns=np.array([a for a, _ in kept], np.int64), to_ns=np.array([b for _, b in kept], np.int64))

    @cached_property
    def total_ns(self) -> int:
        """How long was watched in all."""
        return int((self.to_ns - self.from_ns).sum())

    def before(self, t_ns: Int64Array) -> Int64Array:
        """(…) How much had been watched before each instant, ns, whatever their shape."""
        if not len(self.from_ns):
            return np.zeros(t_ns.shape, np.int64)
        k = self.from_ns.searchsorted(t_ns, side="right") - 1  # the stretch begun last; -1 before the first
        last = np.maximum(k, 0)
        within = np.minimum(t_ns, self.to_ns[last]) - self.from_ns[last]
        return np.asarray(np.where(k >= 0, self._cumulated[last] + within, 0), np.int64)

    def at(self, share: Float64Array) -> Int64Array:
        """(n,) The instants at which these shares of the whole had been watched."""
        until = self._cumulated
        wanted = np.clip((share * self.total_ns).astype(np.int64), 0, max(self.total_ns - 1, 0))
        k = np.clip(np.searchsorted(until, wanted, side="right") - 1, 0, len(self.from_ns) - 1)
        return np.asarray(self.from_ns[k] + wanted - until[k], np.int64)

    @cached_property
    def _cumulated(self) -> Int64Array:
        """(k + 1,) How much had been watched when each of the k stretches began, and in all."""
        return np.concatenate((np.zeros(1, np.int64), np.cumsum(self.to_ns - self.from_ns)))

    def contains(self, t_ns: Int64Array) -> BoolArray:
        """(n,) Mark the instants that were watched; a stretch ends before its last nanosecond."""
        return np.asarray(t_ns < self._ends_ns[self.from_ns.searchsorted(t_ns, side="right") - 1])

    def holds(self, from_ns: Int64Array, to_ns: Int64Array) -> BoolArray:
        """(n,) Mark the spans that lie wholly in one stretch."""
        return np.asarray(to_ns <= self._ends_ns[self.from_ns.searchsorted(from_ns, side="right") - 1])

    @cached_property
    def _ends_ns(self) -> Int64Array:
        """(k + 1,) Where the stretches end; the last one stands for 'before the first stretch'."""
        return np.append(self.to_ns, np.iinfo(np.int64).min)

    @classmethod
    def union(cls, from_ns: Int64Array, to_ns: Int64Array) -> "Watched":
        """Put stretches together that may overlap; either end is ascending."""
        begun_ns = np.maximum(from_ns, np.concatenate((from_ns[:1], to_ns[:-1])))  # where the one before ends later
        return cls(from_ns=np.minimum(begun_ns, to_ns), to_ns=to_ns)

    def share_after(self, t_ns: Int64Array, window_ns: int) -> float:
        """Give the share of what was watched that lies in the window after any of these instants, ascending.

        Windows that overlap count once: chance has it that a dropout comes after one of these with this probability.
        """
        after = Watched.union(self.before(t_ns), self.before(t_ns + window_ns))
        return after.total_ns / max(self.total_ns, 1)

    def without(self, cut_out: Iterable[tuple[int, int]]) -> "Watched":
        """Take more stretches out."""
        if not len(self.from_ns):
            return self
        pauses = zip(self.to_ns[:-1].tolist(), self.from_ns[1:].tolist(), strict=True)
        return Watched.between(int(self.from_ns[0]), int(self.to_ns[-1]), (*pauses, *cut_out))


ANSWER_NS = 10 * SECOND_NS
"""Until so long after a loss others may answer to it, while it lasts (common practice)."""
SETTLE_NS = 3 * SECOND_NS
"""Until so long after a return others may still answer to it (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dropouts:
    """n dropouts of one controller, of a group, or of any, ascending."""

    controllers: tuple[str, ...]
    """Whose; empty: of any controller."""
    last_seen_ns: Int64Array
    """(n,) the last frame before each."""
    onset_ns: Int64Array
    """(n,) the first frame that was missed: the loss lies between."""
    over_ns: Int64Array
    """(n,) when all was steady again, or answers to the loss itself were: what comes later is no part of it."""
    watched: Watched
    """Where a dropout could have come and none was going on."""
    fell: tuple[tuple[str, ...], ...] = ()
    """Who fell in each; empty: `controllers` in all of them."""
    called: str = "dropout"
    """What one of them is called; a symptom that is none has showings."""

    def __len__(self) -> int:
        return len(self.last_seen_ns)

    @property
    def zero_ns(self) -> int:
        """Where the watching began."""
        return int(min([*self.watched.from_ns[:1].tolist(), *self.last_seen_ns[:1].tolist()], default=0))

    @property
    def span_ns(self) -> int:
        """From there to where it ended."""
        return int(max([*self.watched.to_ns[-1:].tolist(), *self.onset_ns[-1:].tolist()], default=0)) - self.zero_ns

    @property
    def bracket_ns(self) -> int:
        """How far the last frame seen and the first one missed lie apart, as a rule."""
        return int(np.median(self.onset_ns - self.last_seen_ns)) if len(self) else 0

    def is_own(self, controller: str | None) -> BoolArray:
        """(n,) Mark the dropouts of this controller, whatever else fell with it."""
        if not self.fell:
            return np.full(len(self), controller in self.controllers)
        return np.array([controller in names for names in self.fell], np.bool_)

    def independent(self, pause_ns: int) -> BoolArray:
        """(n,) Mark those that come more than a pause after the one before was over."""
        before_ns = np.maximum.accumulate(self.over_ns)[:-1]
        first = np.ones(len(self), np.bool_)
        first[1:] = self.last_seen_ns[1:] - before_ns > pause_ns
        return first

    @classmethod
    def of(cls, controllers: tuple[str, ...], incidents: Sequence[Incident], watched: Watched) -> "Dropouts":
        """Take them from incidents, in any order; one that came before the last was over is part of that one.

        Parameters
        ----------
        watched : where a dropout could have been seen; their own time is taken out of it here
        """
        in_order = sorted(incidents, key=lambda incident: (incident.last_seen_ns, incident.onset_ns))
        spans = [span for incident in in_order for span in _disturbed(incident)]
        calm = watched.without(spans)
        last_seen_ns = np.array([incident.last_seen_ns for incident in in_order], np.int64)
        new = np.flatnonzero(calm.contains(last_seen_ns - 1))
        return cls(
            controllers=controllers,
            last_seen_ns=last_seen_ns[new],
            onset_ns=np.array([max(i.onset_ns, i.last_seen_ns) for i in in_order], np.int64)[new],
            over_ns=np.array([_disturbed(incident)[0][1] for incident in in_order], np.int64)[new],
            watched=calm,
            fell=tuple(in_order[k].controllers for k in new.tolist()),
        )


def _disturbed(incident: Incident) -> list[tuple[int, int]]:
    """Give the stretches in which what happens may be an answer to the loss, or to the return."""
    from_ns, lost_ns = incident.last_seen_ns, max(incident.onset_ns, incident.last_seen_ns)
    back_ns = incident.back_ns
    if incident.kind is IncidentKind.RESTARTING:  # all of it, from the first restart to the last
        last_ns = max([lost_ns, *(loss.back_ns or loss.last_seen_ns for loss in incident.losses)])
        return [(from_ns, last_ns + (ANSWER_NS if back_ns is None else SETTLE_NS))]
    if back_ns is None:
        return [(from_ns, lost_ns + ANSWER_NS)]
    steady_ns = max(back_ns if incident.steady_ns is None else incident.steady_ns, back_ns)
    return [(from_ns, min(back_ns, lost_ns + ANSWER_NS)), (back_ns, steady_ns + SETTLE_NS)]


LEAST_DROPOUTS = 3
"""With fewer of them nothing that went before can be told from chance."""
_MOST_SETS = 8
"""Sets of dropouts that are held against everything, the largest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DropoutSet:
    """Incidents that are looked into together: those of one group, or all."""

    controllers: tuple[str, ...]
    """Whose; empty: of any controller."""
    incidents: tuple[Incident, ...]
    """Ascending by the last frame before."""


def falls_of(incident: Incident) -> tuple[tuple[int, int | None], ...]:
    """Give each fall, (last frame before, back) in ns: restarts over and over are told as one incident."""
    restarts = tuple((loss.last_seen_ns, loss.back_ns) for loss in incident.each_restart)
    return restarts or ((incident.last_seen_ns, incident.back_ns),)


def unexplained_losses(
    incidents: Sequence[Incident], because: Sequence[Because], *, journal_kept: bool = True
) -> tuple[int, ...]:
    """Give the indices of the losses that no recorded action explains, or likely caused.

    Where no journal was kept, a machine that went off and on as a whole is left out: a key turned off and on and a lost
    main supply look the same on the bus.
    """
    return tuple(
        n
        for n, (incident, reason) in enumerate(zip(incidents, because, strict=True))
        if incident.kind in FALLS
        and incident.controllers
        and not reason.expected
        and reason.action is None
        and (journal_kept or incident.kind is not IncidentKind.BUS_SILENCE or incident.ran_on is not RanOn.RESTARTED)
    )


def dropout_sets(
    incidents: Sequence[Incident], chosen: Sequence[int], groups: Sequence[Group]
) -> tuple[DropoutSet, ...]:
    """Give all dropouts as one set, and each group of at least three as another, where there are several."""
    large = [group for group in groups if len(group.incidents) >= LEAST_DROPOUTS][: _MOST_SETS - 1]
    wanted = [
        (groups[0].controllers if len(groups) == 1 and len(groups[0].incidents) == len(chosen) else (), chosen),
        *((group.controllers, group.incidents) for group in large if len(groups) > 1),
    ]
    return tuple(
        DropoutSet(
            controllers=controllers,
            incidents=tuple(sorted((incidents[k] for k in numbers), key=lambda one: one.last_seen_ns)),
        )
        for controllers, numbers in wanted
    )


def showings_of(symptom: Symptom, came: Sequence[ShowingSpan], health: Health, *, moment_ns: int = 0) -> Dropouts:
    """Give showings of a symptom as what is looked into.

    Parameters
    ----------
    symptom : all its showings are taken out of the time in which another could have come
    came : those to be looked into; each was seen to begin
    health : of the whole record
    moment_ns : what comes so long after the first sight of one is still of the same moment
    """
    until_ns = health.until_ns
    shown = [
        (
            span.since_ns if span.not_yet_ns is None else min(span.not_yet_ns, span.since_ns),
            until_ns if span.gone_ns is None else span.gone_ns + SETTLE_NS,
        )
        for span in symptom.spans
    ]
    unseen = without((health.start_ns, max(until_ns, health.start_ns + 1)), symptom.observable)
    calm = Watched.between(health.start_ns, until_ns, [*unseen, *shown])
    not_yet_ns = np.array([span.not_yet_ns for span in came], np.int64)
    new = np.flatnonzero(calm.contains(not_yet_ns - 1))
    ends_ns = np.array([until_ns if span.gone_ns is None else span.gone_ns + SETTLE_NS for span in came], np.int64)
    return Dropouts(
        controllers=() if symptom.controller is None else (symptom.controller,),
        last_seen_ns=not_yet_ns[new],
        onset_ns=np.array([max(span.since_ns, span.not_yet_ns or 0) + moment_ns for span in came], np.int64)[new],
        over_ns=ends_ns[new],
        watched=calm,
        called="showing",
    )


def watched_of(health: Health, controllers: Sequence[str]) -> Watched:
    """Leave out what was not recorded, and where these controllers (or all there are) were away at the same time."""
    wanted = set(controllers)
    members = [c for c in health.controllers if c.first_ns is not None and (not wanted or c.name in wanted)]
    unrecorded = [(g.from_ns, g.to_ns) for g in health.gaps if g.channel is None and g.kind is GapKind.CAPTURE_GAP]
    return Watched.between(
        health.start_ns, health.until_ns, (*unrecorded, *_all_away([member.absences for member in members]))
    )


def _all_away(absences: Sequence[Sequence[tuple[int, int]]]) -> Iterable[tuple[int, int]]:
    """Give the stretches in which all of them are away."""
    spans = np.array([span for of_one in absences for span in of_one if span[1] > span[0]], np.int64).reshape(-1, 2)
    t_ns = np.sort(spans.ravel(), kind="stable")
    step = np.tile((1, -1), len(spans))[np.argsort(spans.ravel(), kind="stable")]
    all_from = np.flatnonzero(np.cumsum(step) == len(absences)) if len(absences) else np.empty(0, np.int64)
    return zip(t_ns[all_from].tolist(), t_ns[all_from + 1].tolist(), strict=True)


def power_ups_of(health: Health, actions: Iterable[Action]) -> Int64Array:
    """Give when the whole machine got its power: as written down, as the traffic shows, or after a silence of all."""
    kinds = (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)
    told = [action.time_ns for action in actions if action.kind in kinds and action.part is None]
    shown = [
        incident.back_ns
        for incident in health.incidents
        if incident.kind is IncidentKind.BUS_SILENCE
        and incident.ran_on is RanOn.RESTARTED
        and incident.back_ns is not None
    ]
    return np.array(sorted({*told, *shown}), np.int64)
