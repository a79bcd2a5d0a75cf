"""A symptom: what shows, does not show, or cannot be seen, at each time.

Whoever isolates asks only this of it: when did it begin and end, and how well is either known; when could it have been
seen; how long after the fault. Where it comes from, a controller's code, a signal, a person's eyes, is told beside it.
"""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["ShowingSpan", "Symptom", "SymptomKind"]


class SymptomKind(StrEnum):
    """Where a symptom comes from."""

    DROPOUT = "dropout"
    """A controller that falls off the bus or starts anew."""
    CODE = "code"
    """An active fault code of an open protocol."""
    STATUS = "status"
    """A signal in a state that the map calls bad."""
    COUNTER = "counter"
    """A signal that counts up."""
    CONDITION = "condition"
    """A comparison with a signal's value that holds."""
    BUS = "bus"
    """Error frames or load above a limit, an error state of the adapter: of a bus, and no controller's."""
    SEEN = "seen"
    """What a person saw, and wrote down: a lamp, a message on the display, a noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowingSpan:
    """One stretch in which it showed; both edges lie within known bounds."""

    since_ns: int
    """First seen showing."""
    not_yet_ns: int | None
    """Last seen without it, or when it could begin again (its controller came back); None: it was there when it could
    be seen for the first time."""
    still_ns: int
    """Last seen showing."""
    gone_ns: int | None
    """First seen without it, or when its controller lost power; None: it shows at the end of the record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """One symptom over the whole record."""

    kind: SymptomKind
    name: str
    """What `--symptom` calls it."""
    text: str
    """What it means, in words."""
    controller: str | None
    """At which controller it shows; None: at the machine, nobody knows whose it is."""
    spans: tuple[ShowingSpan, ...]
    """Ascending, apart."""
    observable: tuple[tuple[int, int], ...]
    """(from, to) in ns in which it could be seen, ascending, apart."""
    latency_ns: int
    """So long after the fault it is seen at the latest; a shorter quiet tells nothing."""
    errs: float = 0.0
    """Probability that one look is wrong."""
    looks: tuple[tuple[int, bool], ...] = ()
    """(ns, whether it showed) of a person's looks, ascending: those written down, and those that must have been between
    them. Empty: it is watched all the time."""
    latches: bool | None = None
    """It stays until the power is cycled, as the map says; None: it does not say."""
    p_latches: float = 0.0
    """The same as a probability, as far as the record tells it."""
    only_after_starts: bool = False
    """It comes only with a start of its controller, as the record tells: in its self-test."""
    points_at: tuple[str, ...] = ()
    """Part kinds or names that it says to look at."""
    failure_kinds: tuple[str, ...] = ()
    """Kinds of parts that its failure mode speaks of, where nobody has said where it points."""
    signal: str | None = None
    """``Message.Signal`` that it is read from, where it is one."""
    codes: tuple[str, ...] = ()
    """The codes that it is made of, as the code list writes them."""

    @property
    def showing(self) -> bool:
        """Whether it shows at the end of the record."""
        return bool(self.spans) and self.spans[-1].gone_ns is None

    @property
    def n_came(self) -> int:
        """How often it was seen to come."""
        return sum(span.not_yet_ns is not None for span in self.spans)
