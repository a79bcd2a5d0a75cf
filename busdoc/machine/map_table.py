"""One table of a machine map, asked for its values by kind; what is wrong with them is noted, never raised."""

from collections.abc import Iterable, Mapping
from decimal import Decimal

from busdoc.machine.map_problems import MapProblems, shown
from busdoc.machine.toml_lines import TomlPath
from busdoc.times import SECOND_NS

__all__ = ["MapTable"]

_LONGEST_NAME = 100


class MapTable:
    """A table, and the place where it stands.

    Every question names a key; `finish` then notes the keys that nothing asked for.
    """

    def __init__(self, values: Mapping[str, object], path: TomlPath, problems: MapProblems) -> None:
        self._values = values
        self.path = path
        self._problems = problems
        self._asked: dict[str, None] = {}

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def wrong(self, key: str, expected: str, found: str, advice: str) -> None:
        """Note a mistake in the value of a key, or in the table when it has no such key."""
        self._problems.add((*self.path, key), expected, found, advice)

    def get(self, key: str) -> object:
        """Give the raw value; None when the key is absent."""
        self._asked[key] = None
        return self._values.get(key)

    def require(self, key: str, what: str) -> None:
        """Note the absence of a key that the table cannot do without."""
        self._asked[key] = None
        if key not in self._values:
            self.wrong(key, f"`{key} = …` in [[{_header(self.path)}]]", "no such key", f"Add {what}.")

    def text(self, key: str) -> str | None:
        """Give a text without blanks around it."""
        value = self.get(key)
        if value is None:
            return None
        if isinstance(value, str) and value.strip() and value.isprintable():
            return value.strip()
        self.wrong(key, f"a text for `{key}`", shown(value), "Write it in quotes, on one line.")
        return None

    def name(self, key: str = "name") -> str | None:
        """Give the name of what the table describes."""
        self.require(key, "a name that is unique in this map")
        name = self.text(key)
        if name is None:
            return None
        if ":" in name:
            self.wrong(key, "a name without a colon", shown(name), "The colon is kept for `owner:socket`.")
            return None
        if name.casefold() == "elsewhere" or len(name) > _LONGEST_NAME:
            what = f"a name of at most {_LONGEST_NAME} characters other than elsewhere"
            self.wrong(
                key, what, shown(name), '"elsewhere" stands for whatever is not on the map; choose another name.'
            )
            return None
        return name

    def texts(self, key: str) -> tuple[str, ...]:
        """Give a list of texts; empty when absent."""
        return tuple(str(item) for item in self.items(key, (str,), "texts"))

    def items(self, key: str, types: tuple[type, ...], what: str) -> tuple[object, ...]:
        """Give a list whose items are of these types; items that are not are left out."""
        value = self.get(key)
        if value is None:
            return ()
        if not isinstance(value, list):
            self.wrong(key, f"a list of {what} for `{key}`", shown(value), "Put it in square brackets.")
            return ()
        good: list[object] = []
        for index, item in enumerate(value):
            if isinstance(item, types) and not (isinstance(item, bool) and bool not in types):
                good.append(item)
            else:
                expected = f"{what} in `{key}`"
                self._problems.add((*self.path, key, index), expected, shown(item), f"Give {what} only.")
        return tuple(good)

    def wrong_item(self, key: str, index: int, expected: str, found: str, advice: str) -> None:
        """Note a mistake in one item of a list."""
        self._problems.add((*self.path, key, index), expected, found, advice)

    def nearest(self, found: str, allowed: Iterable[str]) -> str:
        """Word the advice for a name that does not exist."""
        return self._problems.nearest(found, allowed)

    def flag(self, key: str) -> bool | None:
        """Give true or false; None when absent."""
        value = self.get(key)
        if value is None or isinstance(value, bool):
            return value
        self.wrong(key, f"true or false for `{key}`", shown(value), "Write it without quotes.")
        return None

    def whole(self, key: str, low: int, high: int, what: str) -> int | None:
        """Give a whole number from `low` to `high`."""
        value = self.get(key)
        if value is None:
            return None
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        advice = "Write a whole number without quotes; hexadecimal as 0x31."
        self.wrong(key, f"{what} from {low} to {high} for `{key}`", shown(value), advice)
        return None

    def decimal(self, key: str, low: str, high: str, what: str) -> Decimal | None:
        """Give a number from `low` to `high` as it was written, digit by digit."""
        value = self.get(key)
        if value is None:
            return None
        if isinstance(value, int | Decimal) and not isinstance(value, bool):
            number = Decimal(value)
            if number.is_finite() and Decimal(low) <= number <= Decimal(high):
                return number
        self.wrong(key, f"{what} from {low} to {high} for `{key}`", shown(value), "Write a number without quotes.")
        return None

    def seconds_ns(self, key: str) -> int | None:
        """Give a duration that is written in seconds, in ns."""
        number = self.decimal(key, "0.000001", "1000000", "seconds")
        return None if number is None else int((number * SECOND_NS).to_integral_value())

    def choice(self, key: str, allowed: Iterable[str], what: str) -> str | None:
        """Give a text that is one of those allowed."""
        value = self.text(key)
        allowed = tuple(allowed)
        if value is None or value in allowed:
            return value
        self.wrong(key, what, shown(value), self.nearest(value, allowed))
        return None

    def tables(self, key: str) -> tuple["MapTable", ...]:
        """Give the tables of a list of tables; a single table counts as a list of one mistake."""
        value = self.get(key)
        if value is None:
            return ()
        path = (*self.path, key)
        if not isinstance(value, list):
            self.wrong(key, f"a list of tables, [[{_header(path)}]]", shown(value), "Use two square brackets.")
            return ()
        good: list[MapTable] = []
        for index, item in enumerate(value):
            if isinstance(item, dict):
                good.append(MapTable(item, (*path, index), self._problems))
            else:
                self._problems.add((*path, index), f"a table in `{key}`", shown(item), "Write { … } or [[…]].")
        return tuple(good)

    def table(self, key: str) -> "MapTable":
        """Give a table by its key; an empty one when absent."""
        value = self.get(key)
        if value is not None and not isinstance(value, dict):
            self.wrong(key, f"the table [{key}]", shown(value), "Use single square brackets.")
        return MapTable(value if isinstance(value, dict) else {}, (*self.path, key), self._problems)

    def all_keys(self) -> tuple[str, ...]:
        """Name all keys, and take them as asked for."""
        self._asked.update(dict.fromkeys(self._values))
        return tuple(self._values)

    def finish(self) -> None:
        """Note the keys that nothing asked for: a misspelt one must not be passed over in silence."""
        for key in self._values:
            if key not in self._asked:
                header = _header(self.path)
                where = f"a key of [{header}]" if header else "a table of the map"
                self.wrong(key, where, shown(key), self.nearest(key, self._asked))


def _header(path: TomlPath) -> str:
    return ".".join(key for key in path if isinstance(key, str))
