"""On which line of a TOML text each value stands, since the parser of the standard library does not say.

Only called when there is a mistake to name, on a text that `tomllib` has already accepted.
"""

import re
import tomllib
from bisect import bisect_left

__all__ = ["TomlPath", "lines_of"]

TomlPath = tuple[str | int, ...]
"""Keys and, inside arrays, indices: ``("part", 3, "into")``."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r"""[ \t]*([A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')[ \t]*""")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:[^"\\]|\\.)*"|' + r"'[^']*'",
    re.DOTALL,
)
_BARE = re.compile(r"[^,\]}\n#]*")


def lines_of(text: str) -> dict[TomlPath, int]:
    """Give the line, counted from 1, of every table, key and array item of a valid TOML text."""
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._newlines = [match.start() for match in re.finditer("\n", text)]
        self._lines: dict[TomlPath, int] = {}
        self._n_tables: dict[TomlPath, int] = {}

    def scan(self) -> dict[TomlPath, int]:
        table: TomlPath = ()
        while True:
            self._skip_blank()
            if self._at >= len(self._text):
                return self._lines
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _line(self) -> int:
        return bisect_left(self._newlines, self._at) + 1

    def _skip_blank(self) -> None:
        blank = _BLANK.match(self._text, self._at)
        self._at = blank.end() if blank else self._at

    def _header(self) -> TomlPath:
        line = self._line()
        is_array = self._text.startswith("[[", self._at)
        self._at += 2 if is_array else 1
        keys = self._keys()
        self._at += 2 if is_array else 1
        path: TomlPath = ()
        for depth, key in enumerate(keys):
            path = (*path, key)
            if is_array and depth == len(keys) - 1:
                self._lines.setdefault(path, line)
                self._n_tables[path] = self._n_tables.get(path, 0) + 1
            if path in self._n_tables:  # a table inside an array of tables belongs to the last of them
                path = (*path, self._n_tables[path] - 1)
        self._lines.setdefault(path, line)
        return path

    def _keys(self) -> list[str]:
        keys: list[str] = []
        while True:
            match = _KEY.match(self._text, self._at)
            if match is None:
                raise ValueError("not a TOML text that the parser accepted")
            self._at = match.end()
            keys.append(_unquoted(match.group(1)))
            if self._text[self._at] != ".":
                return keys
            self._at += 1

    def _pair(self, table: TomlPath) -> None:
        line = self._line()
        path = table
        for key in self._keys():
            path = (*path, key)
            self._lines.setdefault(path, line)
        self._at += 1  # the equals sign
        self._skip_blank()
        self._value(path)

    def _value(self, path: TomlPath) -> None:
        first = self._text[self._at]
        if first == "[":
            self._items(path)
        elif first == "{":
            self._inline_table(path)
        else:
            match = (_STRING if first in "\"'" else _BARE).match(self._text, self._at)
            self._at = match.end() if match else self._at + 1

    def _items(self, path: TomlPath) -> None:
        self._at += 1
        index = 0
        while True:
            self._skip_blank()
            if self._text[self._at] == "]":
                self._at += 1
                return
            self._lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1
            self._skip_comma()

    def _inline_table(self, path: TomlPath) -> None:
        self._at += 1
        while True:
            self._skip_blank()
            if self._text[self._at] == "}":
                self._at += 1
                return
            self._pair(path)
            self._skip_comma()

    def _skip_comma(self) -> None:
        self._skip_blank()
        if self._text[self._at] == ",":
            self._at += 1


def _unquoted(token: str) -> str:
    if token[0] not in "\"'":
        return token
    return str(tomllib.loads(f"key = {token}")["key"])
