"""How often one phone may ask for something."""

from collections import OrderedDict, deque

__all__ = ["Pace"]

_MOST_KNOWN = 256


class Pace:
    """Allows so many within so long to each.

    Parameters
    ----------
    most, within_s : how many, within how many seconds

    Examples
    --------
    >>> pace = Pace(most=2, within_s=10.0)
    >>> [pace.allows("a", now_s) for now_s in (0.0, 1.0, 2.0, 10.5)], pace.allows("b", 2.0)
    ([True, True, False, True], True)
    """

    def __init__(self, *, most: int, within_s: float) -> None:
        self._most, self._within_s = most, within_s
        self._asked: OrderedDict[str, deque[float]] = OrderedDict()

    def allows(self, who: str, now_s: float) -> bool:
        """Say whether one more is allowed now, and count it if it is."""
        asked = self._asked.setdefault(who, deque())
        self._asked.move_to_end(who)
        while len(self._asked) > _MOST_KNOWN:
            self._asked.popitem(last=False)
        while asked and asked[0] <= now_s - self._within_s:
            asked.popleft()
        if len(asked) >= self._most:
            return False
        asked.append(now_s)
        return True
