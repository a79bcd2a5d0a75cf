"""When frames were dropped because nobody read them in time: the stretch between two looks at a count of them."""

from busdoc.capture.live_adapter import Drops

__all__ = ["DropWatch"]

_APART_NS = 1_000_000_000
"""Looks further apart than this: very likely nobody ran between them, which the reading thread is about to find."""


class DropWatch:
    """Looks at one adapter's count now and then."""

    def __init__(self, drops: Drops | None, now_ns: int) -> None:
        self._drops = drops
        self._n_drops = 0
        self._looked_ns = now_ns
        self._unplaced: tuple[int, int] | None = None
        self.last_drop_ns: int | None = None
        """When a look found drops last."""
        self.dropped_in_pause = False
        """Whether some were dropped in the pause that is being judged; whoever judges it takes that back."""

    @property
    def counts(self) -> bool:
        """Whether the operating system counts at all: if so, no drops mean that everything was kept."""
        return self._drops is not None

    def look(self, now_ns: int, *, is_pause: bool) -> list[tuple[int, int]]:
        """Give the stretches, ns, in which frames were dropped; in a pause they lie in the pause's own gap instead."""
        found = []
        if self._unplaced is not None and not is_pause:
            found.append(self._unplaced)
        elif self._unplaced is not None:
            self.dropped_in_pause = True
        self._unplaced = None
        n_drops = self._count()
        if n_drops != self._n_drops:
            self.last_drop_ns = now_ns
            if is_pause:
                self.dropped_in_pause = True
            elif now_ns - self._looked_ns > _APART_NS:
                self._unplaced = self._looked_ns, now_ns
            else:
                found.append((self._looked_ns, now_ns))
        self._n_drops, self._looked_ns = n_drops, now_ns
        return found

    def _count(self) -> int:
        if self._drops is None:
            return 0
        try:
            return self._drops.count()
        except OSError:  # it is gone with its socket
            return self._n_drops
