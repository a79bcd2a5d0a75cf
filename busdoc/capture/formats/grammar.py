"""One line, row or object of a capture: the grammar that counts.

Each kind has one, in plain Python. A compiled parser takes those that are written the common way and reads them as the
grammar does; every other is given to the grammar.
"""

from collections.abc import Callable
from typing import Protocol, TypeAlias

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.formats.rows import FrameLine

__all__ = ["ByLine", "Grammar", "Parsed"]

Parsed: TypeAlias = FrameLine | str | None
"""A line's frame; or why it is none, in words; or None for a line that need not be one."""


class Grammar(Protocol):
    """Reads a file's lines in their order; remembers what its header said."""

    @property
    def layout(self) -> tuple[object, ...] | None:
        """What the compiled parser must know of the lines so far; None: from here on it cannot be used."""

    def read(self, line: bytes) -> Parsed:
        """Read the next line, without its newline."""

    def follow(self, t_ns: Int64Array) -> BoolArray | None:
        """Be given the times of the frames that the compiled parser took since the last line that was read here.

        Where each counts from the one before, they are made whole, in place. Gives those whose time is out of range;
        None where there is none such.
        """


class ByLine:
    """A grammar whose lines do not depend on each other.

    Parameters
    ----------
    parse : reads one line
    """

    layout: tuple[object, ...] | None = ()

    def __init__(self, parse: Callable[[bytes], Parsed]) -> None:
        self.read = parse

    def follow(self, t_ns: Int64Array) -> BoolArray | None:
        """Nothing that later lines depend on."""
