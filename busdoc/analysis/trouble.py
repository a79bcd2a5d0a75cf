"""What is wrong with the machine, as far as the record says: what the exit status, headline and conclusion speak of."""

from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import NORMAL_LIFE, Incident, IncidentKind
from busdoc.isolation.verdict import Because
from busdoc.machine.machine import Machine
from busdoc.resync_check.records import FoundBy, PowerUpReturn, ReturnFault
from busdoc.symptoms.symptom import Symptom

__all__ = ["Trouble", "trouble_of"]

_BEYOND_LIMIT = frozenset((ReturnFault.SLOW, ReturnFault.LATE_STREAM, ReturnFault.ALL_LATE))
"""What no loss and no code tells."""
_NO_TROUBLE = (IncidentKind.CAPTURE_GAP, IncidentKind.CODE, *NORMAL_LIFE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What is wrong with the machine, as far as the record says; empty when nothing is."""

    incidents: tuple[int, ...]
    """Indices of the incidents that no action explains away."""
    never_seen: tuple[str, ...]
    codes: tuple[FaultCode, ...]
    showed: bool = False
    """The complaint, whatever it is, showed; or a controller did not start."""
    failed_returns: tuple[int, ...] = ()
    """Indices of the power-ups from which not all came back within their limits."""
    not_as_it_should: frozenset[str] = frozenset()
    """The controllers that did not, by name."""

    def __bool__(self) -> bool:
        return bool(self.incidents or self.never_seen or self.codes or self.showed or self.failed_returns)


def trouble_of(
    machine: Machine,
    controllers: Sequence[ControllerHealth],
    incidents: Sequence[Incident],
    because: Sequence[Because],
    codes: Sequence[FaultCode],
    complaint: Symptom | None,
    power_ups: Sequence[PowerUpReturn] = (),
    *,
    accused: bool = False,
) -> Trouble:
    """Pick the trouble out.

    Parameters
    ----------
    machine : the map, empty when there is none
    controllers : as judged
    incidents, because : one answer for each
    codes : fault codes of the record
    complaint : what the verdict speaks of; None: the dropouts
    power_ups : how each controller came back
    accused : a start that failed has suspects, though nobody who was there fell
    """
    unexplained = tuple(
        n
        for n, (incident, reason) in enumerate(zip(incidents, because, strict=True))
        if incident.kind not in _NO_TROUBLE and not reason.expected
    )
    belongs = machine.controllers  # a database may name what other machines of the kind have
    never_seen = tuple(c.name for c in controllers if c.first_ns is None and c.name in belongs)
    showed = accused or (complaint is not None and bool(complaint.spans))
    # a recording that begins with first frames may as well have begun late, in a machine that ran: no accusation
    seen = {n: one for n, one in enumerate(power_ups) if one.power_up.found_by is not FoundBy.OPENING}
    late = {
        n: tuple(c.name for c in one.controllers if _BEYOND_LIMIT.intersection(c.faults)) for n, one in seen.items()
    }
    return Trouble(
        incidents=unexplained,
        never_seen=never_seen,
        codes=tuple(codes),
        showed=showed,
        failed_returns=tuple(n for n, one in seen.items() if late[n] or _BEYOND_LIMIT.intersection(one.faults)),
        not_as_it_should=frozenset(name for names in late.values() for name in names),
    )
