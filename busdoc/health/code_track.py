"""The course of one fault code: raised, repeated, cleared, raised again."""

from dataclasses import dataclass

__all__ = ["CodeSpan", "CodeTrack"]

_MOST_SPANS = 1000


@dataclass(slots=True, kw_only=True)
class CodeSpan:
    """One stretch in which a code was active."""

    raised_ns: int
    not_yet_ns: int
    """The last moment at which its sender was heard without it; `raised_ns` where it was not heard before."""
    cleared_ns: int | None = None
    """None while it is active; after a silence, the last time that it was seen."""
    was_there: bool = False
    """It was active in the first message that was heard of its sender."""


class CodeTrack:
    """Takes what a sender said of one code, in the order of time.

    Notes
    -----
    Spans beyond the first thousand are counted and not kept.
    """

    __slots__ = ("count", "first_ns", "is_open", "lamps_on", "last_ns", "occurrences", "spans", "stored")

    def __init__(self, t_ns: int) -> None:
        self.first_ns = t_ns
        self.last_ns = t_ns
        self.count: int | None = None
        self.occurrences = 0
        self.spans: list[CodeSpan] = []
        self.is_open = False
        self.stored = False
        self.lamps_on = 0

    def seen(self, t_ns: int, count: int | None, not_yet_ns: int | None) -> None:
        """The sender said that it is active.

        Parameters
        ----------
        count : the sender's own occurrence count, None where it keeps none
        not_yet_ns : when the sender was last heard without it; None: it was never heard before
        """
        if not self.is_open:
            self.is_open = True
            self.occurrences += 1
            if len(self.spans) < _MOST_SPANS:
                before_ns = t_ns if not_yet_ns is None else not_yet_ns
                self.spans.append(CodeSpan(raised_ns=t_ns, not_yet_ns=before_ns, was_there=not_yet_ns is None))
        self.count = count if count is not None else self.count
        self.last_ns = t_ns

    def clear(self, t_ns: int, seen_ns: int | None = None) -> None:
        """The sender said that it is gone; `seen_ns` is when it last said that it is active, if later than known."""
        self.last_ns = self.last_ns if seen_ns is None else max(self.last_ns, seen_ns)
        self._close(t_ns)

    def lapse(self, seen_ns: int | None) -> None:
        """The sender fell silent after it had last said, at `seen_ns`, that it is active."""
        self.last_ns = self.last_ns if seen_ns is None else max(self.last_ns, seen_ns)
        self._close(self.last_ns)

    def _close(self, t_ns: int) -> None:
        if self.is_open and self.occurrences == len(self.spans):
            self.spans[-1].cleared_ns = t_ns
        self.is_open = False
