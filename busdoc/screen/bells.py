"""When the bell rings: once for a loss, twice for a return, and not ten times when ten come at once."""

from collections.abc import Iterable

from busdoc.live.view import Happening, HappeningKind

__all__ = ["Bells"]

_RINGS = {HappeningKind.LOST: 1, HappeningKind.BACK: 2}
_HOLD_S = 2.0
"""What follows so soon rings once, together, when it is over."""
_APART_S = 0.3
"""Between two rings: terminals make one of two that come at once."""


class Bells:
    """Decides about rings; rings nothing itself.

    Parameters
    ----------
    quiet : never ring
    """

    def __init__(self, *, quiet: bool = False) -> None:
        self._quiet = quiet
        self._free_at_s: dict[HappeningKind, float] = {}
        self._waiting: set[HappeningKind] = set()
        self._planned: list[float] = []

    def hear(self, happenings: Iterable[Happening], now_s: float) -> None:
        """Take what happened."""
        if not self._quiet:
            self._waiting |= {happening.kind for happening in happenings if happening.kind in _RINGS}

    def ring(self, now_s: float) -> bool:
        """Say whether to ring at this instant; asked some ten times a second."""
        for kind in sorted(self._waiting):
            if now_s >= self._free_at_s.get(kind, 0.0):
                self._waiting.discard(kind)
                self._free_at_s[kind] = now_s + _HOLD_S
                begin_s = max([now_s, *(at_s + _APART_S for at_s in self._planned)])
                self._planned += [begin_s + k * _APART_S for k in range(_RINGS[kind])]
        due = [at_s for at_s in self._planned if at_s <= now_s]
        if due:
            self._planned.remove(due[0])
        return bool(due)
