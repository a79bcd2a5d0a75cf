"""What the page lets be heard: the bell's meanings, one after the other, and sentences for a voice."""

from collections.abc import Iterable

from busdoc.isolation.proposals.cure import CureOutcome
from busdoc.live.bell import Bell
from busdoc.live.resync.news import NewsKind
from busdoc.live.view import HappeningKind
from busdoc.page.aloud import aloud

__all__ = ["Sounds"]

_KEPT = 12


class Sounds:
    """The sounds so far.

    Parameters
    ----------
    bell : decides what is rung
    """

    def __init__(self, bell: Bell) -> None:
        self._bell = bell
        self._n = 0
        self.kept: list[dict[str, object]] = []
        """The latest, ascending by their number; a page makes those that it has not made."""

    def hear(self, kinds: Iterable[HappeningKind | NewsKind | CureOutcome]) -> None:
        """Take what happened."""
        self._bell.hear(kinds)

    def tick(self, now_s: float) -> bool:
        """Let the bell ring where it is due; True: it did."""
        due = self._bell.due(now_s)
        for rung in due:
            self._n += 1
            self.kept.append({"n": self._n, "rung": rung.name.lower(), "strokes": int(rung)})
        del self.kept[:-_KEPT]
        return bool(due)

    @staticmethod
    def said(text: str) -> str:
        """Give a sentence for the voice."""
        return aloud(text)
