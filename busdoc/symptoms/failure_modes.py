"""Which kinds of parts a failure mode speaks of, where nobody has said where its code points.

Rules of the trade over the failure modes of SAE J1939-73 appendix A (common practice): a voltage below normal or a
current above it is a short, in the sensor or its harness; a voltage above normal or no current is an open circuit, at a
plug or in a wire; what is erratic is a contact; mechanics that do not respond are the actuator's.
"""

from collections.abc import Iterable
from types import MappingProxyType
from typing import Final

from busdoc.machine.machine import PartKind

__all__ = ["kinds_of_failure"]

_SHORT = (PartKind.SENSOR, PartKind.HARNESS)
_OPEN = (PartKind.CONNECTOR, PartKind.HARNESS)
_CONTACT = (PartKind.CONNECTOR, PartKind.HARNESS)
_KINDS: Final = MappingProxyType(
    {
        2: _CONTACT,
        3: _OPEN,
        4: _SHORT,
        5: _OPEN,
        6: _SHORT,
        7: (PartKind.ACTUATOR,),
        8: _CONTACT,
        10: _CONTACT,
        12: (PartKind.SENSOR, PartKind.ACTUATOR),
        13: (PartKind.SENSOR, PartKind.ACTUATOR),
        20: (PartKind.SENSOR,),
        21: (PartKind.SENSOR,),
    }
)


def kinds_of_failure(fmis: Iterable[int | None]) -> tuple[str, ...]:
    """Name the kinds of parts that failure modes speak of; nothing where they say nothing.

    >>> kinds_of_failure([4]), kinds_of_failure([31, None])
    (('sensor', 'harness'), ())
    """
    return tuple(dict.fromkeys(kind.value for fmi in fmis if fmi is not None for kind in _KINDS.get(fmi, ())))
