"""What was told lately: by when it happened, and as it is worded now."""

from collections.abc import Iterable

from busdoc.live.view import Happening
from busdoc.screen.session import Session

__all__ = ["Lately"]

_KEPT = 50


class Lately:
    """Keeps what the session told last.

    Parameters
    ----------
    session : that tells it

    Attributes
    ----------
    told : (time in words, what happened), by the time at which it happened; the latest last
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._amended = session.amended
        self.told: tuple[tuple[str, Happening], ...] = ()

    def take(self, new: Iterable[tuple[str, Happening]]) -> None:
        """Take what is new: a loss is known a deadline after it, when what came later may have been told already.

        A loss that an action is known to explain by now, and was not when it was told, says so from here on.
        """
        if self._session.amended != self._amended and self.told:
            now = {one.n: one for one in self._session.happenings(min(one.n for _, one in self.told) - 1)}
            self.told = tuple((at, now.get(one.n, one)) for at, one in self.told)
        self._amended = self._session.amended
        self.told = tuple(sorted((*self.told, *new), key=lambda one: (one[1].time_ns, one[1].n)))[-_KEPT:]
