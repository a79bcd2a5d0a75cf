"""Where a fault code says to look: what the machine map says, else what the published lists make plain.

A code about the network speaks of the bus and of the controller that is missed, never of the one that complains.
"""

from collections.abc import Callable, Iterable
from typing import Protocol

from busdoc.decode.j1939.code_words import missed_address

__all__ = ["CodeHintLike", "CodePointer"]

_SENSOR_SUPPLY = frozenset({620, 1079, 1080, *range(3509, 3515)})
_SUPPLY = frozenset({158, 167, 168, 627})
_NETWORK = frozenset({625, 639, 1231, 1235})
_NETWORK_FAILURES = frozenset({9, 19})
"""Update missing; received network data says that it is in error."""
_NETWORK_EMERGENCIES = frozenset({0x8110, 0x8120, 0x8130, 0x8140})
_SUPPLY_EMERGENCY_CLASSES = frozenset({0x31, 0x32})


class CodeHintLike(Protocol):
    """One line of the machine map about a code."""

    @property
    def controller(self) -> str | None:
        """Its sender; None: any."""
        ...

    @property
    def spn(self) -> int | None:
        """Suspect parameter number (SAE J1939-73); None: it is about another kind of code."""
        ...

    @property
    def fmi(self) -> int | None:
        """Failure mode identifier (SAE J1939-73); None: any."""
        ...

    @property
    def emcy(self) -> int | None:
        """Emergency error code (CiA 301); None: it is about another kind of code."""
        ...

    @property
    def status(self) -> str | None:
        """The status signal as `Message.Signal`; None: it is about another kind of code."""
        ...

    @property
    def points_at(self) -> tuple[str, ...]:
        """Kinds of parts, names of parts or controllers to look at."""
        ...


class CodePointer:
    """Tells for each code which part kinds, parts or controllers it accuses.

    Parameters
    ----------
    hints : from the machine map; the closest match overrides what the published lists say
    names : how a (channel, source address) is called
    senders : which controllers send a suspect parameter, from the user's database; they are the ones that FMI 9 and 19
        miss
    """

    def __init__(
        self,
        hints: Iterable[CodeHintLike],
        names: Callable[[int, int], str],
        senders: Callable[[int], tuple[str, ...]] | None = None,
    ) -> None:
        self._hints = tuple(hint for hint in hints if hint.points_at)  # others only say whether a code latches
        self._names = names
        self._senders = senders

    def of_spn(self, controller: str, channel: int, spn: int, fmi: int) -> tuple[str, ...]:
        """Point from a trouble code."""
        hinted = self._hinted(controller, lambda hint: hint.spn == spn and hint.fmi in (None, fmi))
        if hinted is not None:
            return hinted
        missed = missed_address(spn)
        if missed is not None:
            return self._network((self._names(channel, missed),), controller)
        if spn in _NETWORK:
            return ("segment",)
        if fmi in _NETWORK_FAILURES:
            return self._network(self._senders(spn) if self._senders else (), controller)
        if spn in _SENSOR_SUPPLY:
            return ("sensor", "harness")
        return ("feed",) if spn in _SUPPLY else ()

    def of_emergency(self, controller: str, emcy: int) -> tuple[str, ...]:
        """Point from a CANopen emergency code."""
        hinted = self._hinted(controller, lambda hint: hint.emcy == emcy)
        if hinted is not None:
            return hinted
        if emcy in _NETWORK_EMERGENCIES:
            return ("segment",)
        return ("feed",) if emcy >> 8 in _SUPPLY_EMERGENCY_CLASSES else ()

    def of_status(self, controller: str, signal: str, code: str) -> tuple[str, ...]:
        """Point from a status signal: only the map can say."""
        return self._hinted(controller, lambda hint: hint.status in (signal, code)) or ()

    def _hinted(self, controller: str, matches: Callable[[CodeHintLike], bool]) -> tuple[str, ...] | None:
        fitting = [hint for hint in self._hints if hint.controller in (None, controller) and matches(hint)]
        if not fitting:
            return None
        return max(fitting, key=lambda hint: (hint.controller is not None) + (hint.fmi is not None)).points_at

    @staticmethod
    def _network(missed: tuple[str, ...], complains: str) -> tuple[str, ...]:
        return ("segment", *(name for name in missed if name and name != complains))
