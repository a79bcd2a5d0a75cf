"""What a capture holds that could not be read: how much, and where the first of it stands."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["SkipCount", "SkippedLine"]

_MOST_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class SkippedLine:
    """One line that was left out, and why."""

    file: Path
    line: int
    """Counted from 1; in a binary file the number of the object or row."""
    reason: str


class SkipCount:
    """Counts the lines that were left out, and names the first few."""

    def __init__(self) -> None:
        self.total = 0
        self._first: list[SkippedLine] = []
        self._by_file: dict[Path, int] = {}

    @property
    def first(self) -> tuple[SkippedLine, ...]:
        """The first few that were left out, as they were met."""
        return tuple(self._first)

    @property
    def by_file(self) -> dict[Path, int]:
        """How many were left out of each file that lost any."""
        return dict(self._by_file)

    def add(self, file: Path, line: int, reason: str) -> None:
        """Count one line."""
        if len(self._first) < _MOST_NAMED:
            self._first.append(SkippedLine(file=file, line=line, reason=reason))
        self.total += 1
        self._by_file[file] = self._by_file.get(file, 0) + 1
