"""The channels of a capture: what it calls them, and the number each has in a block."""

import re
from collections.abc import Iterable

from busdoc.errors import InputError

__all__ = ["PRACTICE", "ChannelTable", "is_practice"]

PRACTICE = "practice"
"""How the channels of a practice machine are called, before their number."""


def is_practice(names: Iterable[str]) -> bool:
    """Whether what goes by these channels is no machine's, but was made to practise on.

    >>> is_practice(["can0"]), is_practice(["practice0"])
    (False, True)
    """
    return any(name.startswith(PRACTICE) for name in names)


_MOST_CHANNELS = 256


class ChannelTable:
    """Names and numbers of channels, in the order in which they were met.

    A name that ends in digits keeps them as its number while that is free (``can1`` is 1), so that a machine map may
    say ``channel = 1`` whatever the recorder called it; any other name takes the lowest free number.

    >>> table = ChannelTable()
    >>> table.number("can1"), table.number("left"), table.number("can1")
    (1, 0, 1)
    >>> table.name(1)
    'can1'
    """

    def __init__(self) -> None:
        self._number_of: dict[str, int] = {}
        self._name_of: dict[int, str] = {}

    def number(self, name: str) -> int:
        """Give the channel's number, a new one when it was not met before.

        Raises
        ------
        InputError : when a capture names more than 256 channels
        """
        known = self._number_of.get(name)
        if known is not None:
            return known
        if len(self._name_of) >= _MOST_CHANNELS:
            raise InputError(
                "the capture",
                "at most 256 channels",
                f"another one, {name!r}",
                "Split it by channel, or check the file.",
            )
        digits = re.search(r"(\d{1,3})$", name)
        wanted = int(digits.group(1)) if digits else -1
        if not 0 <= wanted < _MOST_CHANNELS or wanted in self._name_of:
            wanted = next(free for free in range(_MOST_CHANNELS) if free not in self._name_of)
        self._number_of[name] = wanted
        self._name_of[wanted] = name
        return wanted

    def clear(self) -> None:
        """Forget every channel: the capture is read anew."""
        self._number_of.clear()
        self._name_of.clear()

    def name(self, number: int) -> str:
        """Give the channel's name as the capture wrote it; a number never met reads as itself."""
        return self._name_of.get(number, str(number))

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers in use, ascending."""
        return tuple(sorted(self._name_of))

    def find(self, wanted: int | str) -> int | None:
        """Find the number of a channel that a map or an option names by number or by name; None when not met."""
        if isinstance(wanted, int):
            return wanted if wanted in self._name_of else None
        return self._number_of.get(wanted)
