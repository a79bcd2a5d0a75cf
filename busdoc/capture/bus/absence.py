"""An adapter that is away: since when, when it is tried again, and which stretch that leaves unheard."""

from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["Absence", "Retry"]

_FIRST_RETRY_NS, _LAST_RETRY_NS = 500 * MILLISECOND_NS, 15 * SECOND_NS

_COMES_BACK_NS = 2 * SECOND_NS
"""A bus that speaks is heard within this after the adapter opened; one that is not heard by then is silent itself."""


class Retry:
    """When a lost adapter is tried again: after half a second, then twice as long, up to fifteen seconds.

    An interface of the operating system says by a look whether it is up, so that one is tried every half second.
    """

    def __init__(self) -> None:
        self.costs_a_look = False
        """Whether trying is as good as free."""
        self.at_ns = 0
        self._after_ns = _FIRST_RETRY_NS

    @property
    def after_s(self) -> float:
        """How long is waited between two attempts now."""
        return self._after_ns / SECOND_NS

    def works(self) -> None:
        """Take note that the adapter gave a frame."""
        self._after_ns = _FIRST_RETRY_NS

    def lost(self, now_ns: int) -> None:
        """Take note that it was lost."""
        self.at_ns = now_ns + self._after_ns

    def tried(self, now_ns: int) -> None:
        """Take note that it was tried; until a frame shows that it works, the next time is further away."""
        if not self.costs_a_look:
            self._after_ns = min(2 * self._after_ns, _LAST_RETRY_NS)
        self.at_ns = now_ns + self._after_ns


class Absence:
    """The stretch in which an adapter hears nothing: from its last frame to its first, or to when it was sure to hear.

    It begins when the adapter is lost or goes off the bus, and is over with the first frame after that.
    """

    def __init__(self) -> None:
        self.why = ""
        self.from_ns: int | None = None
        """Since when; None: the adapter hears."""
        self._opened_ns: int | None = None

    def begin(self, from_ns: int, why: str) -> None:
        """The adapter is away since then, unless it was away already."""
        self._opened_ns = None
        if self.from_ns is None:
            self.from_ns, self.why = from_ns, why

    def opened(self, now_ns: int) -> None:
        """The adapter answers again."""
        self._opened_ns = now_ns

    def over(self, first_ns: int | None, now_ns: int) -> tuple[int, int, str] | None:
        """End it when that is due; give from when to when it was, ns, and why. None: it goes on, or there was none.

        Parameters
        ----------
        first_ns : the first frame since; None: there is none yet
        """
        from_ns, opened_ns = self.from_ns, self._opened_ns
        if from_ns is None:
            return None
        if first_ns is not None:
            to_ns = first_ns
        elif opened_ns is not None and now_ns - opened_ns > _COMES_BACK_NS:
            to_ns = opened_ns
        else:
            return None
        return self._ended(from_ns, to_ns)

    def close(self, now_ns: int) -> tuple[int, int, str] | None:
        """End it because nobody listens any more."""
        return None if self.from_ns is None else self._ended(self.from_ns, now_ns)

    def _ended(self, from_ns: int, to_ns: int) -> tuple[int, int, str] | None:
        self.from_ns = self._opened_ns = None
        return (from_ns, to_ns, self.why) if to_ns > from_ns else None
