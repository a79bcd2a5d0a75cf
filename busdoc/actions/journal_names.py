"""Finds what a journal names on the machine, and words what it cannot find."""

from collections.abc import Iterable

from busdoc.errors import InputError, nearest
from busdoc.machine.machine import Machine, PartKind

__all__ = ["JournalNames", "one_line"]

_LONGEST_NAME = 100
_MOST_ADVISED = 50


def one_line(text: str) -> str:
    """Fold line breaks, control characters and runs of blanks into single blanks."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())


class JournalNames:
    """Finds what a journal names on the machine; on a map without parts every name is taken as it is."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._open = not machine.parts
        self._all = (*machine.parts, *machine.controllers)
        self._by_folded = {name.casefold(): name for name in self._all}
        self._n_advised = 0

    def known(self, text: str) -> str | None:
        """Find a name, whatever its case."""
        if not text or text in self._machine:
            return text or None
        return self._by_folded.get(text.casefold())

    def is_controller(self, name: str) -> bool:
        """Whether a name that was found is a controller's."""
        return name in self._machine.controllers

    def part(self, text: str, what: str, where: str) -> str:
        """Find a name of the machine as it is written there.

        Raises
        ------
        InputError : there is none such; `what` and `where` say what was expected and where it was read
        """
        if not text:
            raise InputError(where, what, "nothing", "Name it in the column part.")
        name = self.known(text)
        if name is not None:
            return name
        if not self._open:
            raise InputError(where, "a part of the map", f'"{text[:60]}"', self._nearest(text, self._all))
        return self._free_name(text, where)

    def feed(self, text: str, where: str) -> str | None:
        """Find the feed of a power action; None stands for the whole machine."""
        if not text:
            return None
        name = self.part(text, "a feed", where)
        controller = self._machine.controllers.get(name)
        part = self._machine.parts.get(name)
        if controller is not None and controller.feed is not None:
            advice = f'"{name}" is supplied by "{controller.feed}"; name that, or unplug the controller.'
            raise InputError(where, "a feed", f'the controller "{name}"', advice)
        if (part is not None and part.kind is not PartKind.FEED) or controller is not None:
            feeds = [feed.name for feed in self._machine.parts.values() if feed.kind is PartKind.FEED]
            advice = f"{self._nearest(text, feeds)} Leave it empty for the whole machine."
            raise InputError(where, "a feed", f'"{name}"', advice)
        return name

    def partner(self, part: str, text: str, where: str) -> str:
        """Find the other part of a swap."""
        if not text:
            advice = "Name the other part in the column into."
            raise InputError(where, "the two parts that changed places", "one", advice)
        other = self.part(text, "the other part", where)
        machine = self._machine
        if other == part:
            raise InputError(where, "two parts", f'"{part}" twice', "Name the other part in the column into.")
        if (part in machine.controllers) != (other in machine.controllers) and not self._open:
            found = f'"{part}" and "{other}"'
            raise InputError(where, "two parts alike", found, "A controller changes places with a controller.")
        if part in machine.above(other) or other in machine.above(part):
            found = f'"{part}" and "{other}", of which one hangs on the other'
            raise InputError(where, "two parts that can change places", found, "Name the parts that were swapped.")
        return other

    def place(self, part: str, text: str, where: str) -> str:
        """Find `owner:socket`."""
        owner_text, colon, socket = text.partition(":")
        owner = self.part(owner_text.strip(), "the part or controller that it was plugged into", where)
        self._require_kind(part, owner, where)
        if owner == part or part in self._machine.above(owner):
            found = f'"{text[:60]}", which hangs on "{part}" itself'
            raise InputError(where, "a place for it", found, "Name what it was plugged into.")
        return f"{owner}:{one_line(socket)}" if colon and socket.strip() else owner

    def _require_kind(self, part: str, owner: str, where: str) -> None:
        """Feeds hang on feeds and segments on segments, as on the map."""
        machine = self._machine
        record = machine.parts.get(part)
        above = machine.parts.get(owner)
        kind_above = above.kind if above is not None else None
        if record is not None and record.kind in (PartKind.FEED, PartKind.SEGMENT) and kind_above is not record.kind:
            names = [one.name for one in machine.parts.values() if one.kind is record.kind and one.name != part]
            raise InputError(where, f"another {record.kind}", f'"{owner}"', self._nearest(owner, names))

    def _free_name(self, text: str, where: str) -> str:
        name = one_line(text)
        if not name or len(name) > _LONGEST_NAME:
            found = f"one of {len(text)}"
            raise InputError(where, f"a name of at most {_LONGEST_NAME} characters", found, "Shorten it.")
        return name

    def _nearest(self, text: str, names: Iterable[str]) -> str:
        """Comparing a name with thousands of others is slow, and only the first few mistakes are ever shown."""
        self._n_advised += 1
        return nearest(text[:_LONGEST_NAME], names) if self._n_advised <= _MOST_ADVISED else "Correct it."
