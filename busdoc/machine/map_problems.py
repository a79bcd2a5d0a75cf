"""The mistakes found in one machine map, gathered so that the technician mends them in one go."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NoReturn

from busdoc.errors import InputError, nearest
from busdoc.machine.toml_lines import TomlPath, lines_of

__all__ = ["MapProblems", "shown"]

_MOST_SHOWN = 5
_MOST_KEPT = 1000
_MOST_COMPARED = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    path: TomlPath
    expected: str
    found: str
    advice: str


class MapProblems:
    """Collects mistakes by the place where they stand.

    Parameters
    ----------
    text : the map as it was read
    where : what a person calls it: its file name
    """

    def __init__(self, text: str, where: str) -> None:
        self._text = text
        self._where = where
        self._found: list[_Problem] = []
        self._lines: dict[TomlPath, int] | None = None
        self._n_compared = 0

    def add(self, path: TomlPath, expected: str, found: str, advice: str) -> None:
        """Note one mistake."""
        if len(self._found) < _MOST_KEPT:
            self._found.append(_Problem(path=path, expected=expected, found=found, advice=advice))

    def nearest(self, found: str, allowed: Iterable[str]) -> str:
        """Word the advice for a name that does not exist.

        Comparing a name with thousands of others is slow, and only the first few mistakes are shown.
        """
        self._n_compared += 1
        return nearest(found[:100], allowed) if self._n_compared <= _MOST_COMPARED else "Correct it."

    def line_of(self, path: TomlPath) -> int:
        """Give the line of a value, else of the nearest thing around it that has one."""
        if self._lines is None:
            try:
                self._lines = lines_of(self._text)
            except (ValueError, IndexError, RecursionError):  # never lose the mistake over its line
                self._lines = {}
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path, 1)

    def raise_any(self) -> None:
        """Raise one error that names the first few mistakes, in the order of their lines.

        Raises
        ------
        InputError : when any mistake was noted
        """
        if self._found:
            self._raise()

    def _raise(self) -> NoReturn:
        by_line = sorted(((self.line_of(problem.path), problem) for problem in self._found), key=lambda entry: entry[0])
        line, first = by_line[0]
        also = [
            f"Line {n}: expected {other.expected}, found {other.found}. {other.advice}"
            for n, other in by_line[1:_MOST_SHOWN]
        ]
        if len(by_line) > _MOST_SHOWN:
            also.append(f"And {len(by_line) - _MOST_SHOWN} more.")
        advice = "\n  ".join([first.advice, *also])
        raise InputError(f"{self._where}, line {line}", first.expected, first.found, advice)


def shown(value: object) -> str:
    """Word a value that was found, short enough for one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{_cut(value)}"'
    if isinstance(value, int):
        return str(value) if value.bit_length() <= 128 else "an enormous number"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    return _cut(str(value))


def _cut(text: str) -> str:
    visible = "".join(char if char.isprintable() else "?" for char in text[:61])
    return visible if len(text) <= 60 else visible[:57] + "..."
