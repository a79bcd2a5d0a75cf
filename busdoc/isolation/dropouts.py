"""Dropouts that are looked into together, as arrays, and the time in which another one could have come.

A dropout's own doings are no sign of the next one: from the loss until its controllers were steady again, and a little
longer, nothing counts, neither as an event that goes before a dropout nor as time in which one could have come.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.health.incident import Incident
from busdoc.isolation.watched import Watched

__all__ = ["ANSWER_NS", "SETTLE_NS", "Dropouts"]

ANSWER_NS = 10_000_000_000
"""Until so long after a loss others may answer to it, while it lasts (common practice)."""
SETTLE_NS = 3_000_000_000
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
    if back_ns is None:
        return [(from_ns, lost_ns + ANSWER_NS)]
    steady_ns = max(back_ns if incident.steady_ns is None else incident.steady_ns, back_ns)
    return [(from_ns, min(back_ns, lost_ns + ANSWER_NS)), (back_ns, steady_ns + SETTLE_NS)]
