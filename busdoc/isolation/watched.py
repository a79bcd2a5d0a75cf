"""The time that was watched: where something could have happened and would have been seen.

Stretches without a record, or in which there was nothing to lose, are cut out; rates and chances are reckoned in what
is left.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array

__all__ = ["Watched"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
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

    @property
    def total_ns(self) -> int:
        """How long was watched in all."""
        return int((self.to_ns - self.from_ns).sum())

    def before(self, t_ns: Int64Array) -> Int64Array:
        """(n,) How much had been watched before each instant, ns."""
        if not len(self.from_ns):
            return np.zeros(len(t_ns), np.int64)
        until = np.concatenate((np.zeros(1, np.int64), np.cumsum(self.to_ns - self.from_ns)))
        k = np.searchsorted(self.from_ns, t_ns, side="right") - 1  # the stretch begun last; -1 before the first
        last = np.maximum(k, 0)
        within = np.minimum(t_ns, self.to_ns[last]) - self.from_ns[last]
        return np.asarray(np.where(k >= 0, until[last] + within, 0), np.int64)

    def at(self, share: Float64Array) -> Int64Array:
        """(n,) The instants at which these shares of the whole had been watched."""
        until = np.concatenate((np.zeros(1, np.int64), np.cumsum(self.to_ns - self.from_ns)))
        wanted = np.clip((share * self.total_ns).astype(np.int64), 0, max(self.total_ns - 1, 0))
        k = np.clip(np.searchsorted(until, wanted, side="right") - 1, 0, len(self.from_ns) - 1)
        return np.asarray(self.from_ns[k] + wanted - until[k], np.int64)

    def contains(self, t_ns: Int64Array) -> BoolArray:
        """(n,) Mark the instants that were watched; a stretch ends before its last nanosecond."""
        k = np.searchsorted(self.from_ns, t_ns, side="right") - 1
        to_ns = np.append(self.to_ns, np.iinfo(np.int64).min)  # the last one stands for 'before the first stretch'
        return np.asarray(t_ns < to_ns[k])

    def without(self, cut_out: Iterable[tuple[int, int]]) -> "Watched":
        """Take more stretches out."""
        if not len(self.from_ns):
            return self
        pauses = zip(self.to_ns[:-1].tolist(), self.from_ns[1:].tolist(), strict=True)
        return Watched.between(int(self.from_ns[0]), int(self.to_ns[-1]), (*pauses, *cut_out))
