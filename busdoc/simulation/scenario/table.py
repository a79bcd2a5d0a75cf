"""A table of a scenario file, read key by key, so that every mistake is named with its line."""

import re
from collections.abc import Mapping, Sequence
from typing import NoReturn

from busdoc.errors import InputError, nearest

__all__ = ["Lines", "Table"]

_HEADER = re.compile(r"^\s*\[\[?\s*([A-Za-z0-9_.\-]+)\s*\]\]?")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+)\s*=")


class Lines:
    """Where the tables and keys of a TOML text stand (its parser does not say)."""

    def __init__(self, text: str) -> None:
        self._at: dict[tuple[str, int, str], int] = {}
        counts: dict[str, int] = {}
        header, index = "", 0
        for number, line in enumerate(text.splitlines(), start=1):
            if found := _HEADER.match(line):
                header = found[1]
                index = counts.get(header, 0)
                counts[header] = index + 1
                self._at[header, index, ""] = number
            elif found := _KEY.match(line):
                self._at.setdefault((header, index, found[1]), number)

    def of(self, header: str, index: int, key: str = "") -> int | None:
        """Give the line of a key, else of its table; a table within the n-th of another counts with that one."""
        return self._at.get((header, index, key), self._at.get((header, index, "")))


class Table:
    """One table; every read takes a key off the list, `close` complains about what is left.

    Parameters
    ----------
    file : how the file is called in messages
    lines : where things stand in it
    header, index : which table this is, the first being 0
    values : its content as parsed
    """

    def __init__(self, file: str, lines: Lines, header: str, index: int, values: Mapping[str, object]) -> None:
        self._file = file
        self._lines = lines
        self._header = header
        self._index = index
        self._values = values
        self._asked: list[str] = []

    def has(self, key: str) -> bool:
        """Whether the key is there."""
        return key in self._values

    def where(self, key: str = "") -> str:
        """Say where a key stands, or the table."""
        line = self._lines.of(self._header, self._index, key)
        return self._file if line is None else f"{self._file}, line {line}"

    def fail(self, key: str, expected: str, advice: str) -> NoReturn:
        """Raise the `InputError` for what stands at a key."""
        found = repr(self._values[key]) if key in self._values else "nothing"
        raise InputError(self.where(key), expected, found, advice)

    def raw(self, key: str) -> object:
        """Give the value as parsed, or None; the key counts as asked for."""
        self._asked.append(key)
        return self._values.get(key)

    def text(self, key: str, default: str | None = None, *, allowed: Sequence[str] | None = None) -> str:
        """Read a string, one of `allowed` where that is given; without a default it must be there."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if not isinstance(value, str):
            self.fail(key, f"{key} as text in quotes", f"Write for example {key} = {(allowed or ['…'])[0]!r}.")
        if allowed is not None and value not in allowed:
            self.fail(key, f"{key} to be one that is known", nearest(value, allowed))
        return value

    def maybe_text(self, key: str, *, allowed: Sequence[str] | None = None) -> str | None:
        """Read a string as `text` does; None when the key is missing."""
        return self.text(key, allowed=allowed) if self.raw(key) is not None else None

    def number(self, key: str, default: float | None = None, *, low: float = 0.0, high: float = 1e9) -> float:
        """Read a number within [low, high]; without a default it must be there."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.fail(
                key, f"{key} as a number from {low:g} to {high:g}", f"Write for example {key} = {max(low, 1.0):g}."
            )
        return float(value)

    def maybe_number(self, key: str, *, low: float = 0.0, high: float = 1e9) -> float | None:
        """Read a number as `number` does; None when the key is missing."""
        return self.number(key, low=low, high=high) if self.raw(key) is not None else None

    def whole(self, key: str, default: int | None = None, *, low: int = 0, high: int = 1 << 31) -> int:
        """Read a whole number within [low, high]."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.fail(key, f"{key} as a whole number from {low} to {high}", f"Write for example {key} = {max(low, 1)}.")
        return value

    def maybe_whole(self, key: str, *, low: int = 0, high: int = 1 << 31) -> int | None:
        """Read a whole number as `whole` does; None when the key is missing."""
        return self.whole(key, low=low, high=high) if self.raw(key) is not None else None

    def yes(self, key: str, default: bool) -> bool:
        """Read true or false."""
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.fail(key, f"{key} as true or false", f"Write {key} = true or {key} = false.")
        return value

    def texts(self, key: str, *, allowed: Sequence[str] | None = None) -> tuple[str, ...]:
        """Read a list of strings; none when the key is missing."""
        value = self.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.fail(key, f"{key} as a list of texts", f'Write for example {key} = ["…"].')
        for item in value:
            if allowed is not None and item not in allowed:
                raise InputError(self.where(key), f"{key} to name what is known", repr(item), nearest(item, allowed))
        return tuple(value)

    def numbers(self, key: str, n: int) -> tuple[float, ...]:
        """Read a list of exactly `n` numbers."""
        value = self.raw(key)
        right = isinstance(value, list) and len(value) == n
        if not right or not isinstance(value, list) or not all(isinstance(v, int | float) for v in value):
            self.fail(key, f"{key} as a list of {n} numbers", f"Write for example {key} = {list(range(n))}.")
        return tuple(float(item) for item in value)

    def close(self) -> None:
        """Complain about the first key that nothing asked for."""
        for key in self._values:
            if key not in self._asked:
                raise InputError(
                    self.where(key), f"a key of [{self._header}]", f'"{key}"', nearest(key, set(self._asked))
                )
