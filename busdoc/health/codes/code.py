"""A fault code as the capture showed it: raised, repeated, cleared, raised again."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.times import SECOND_NS

__all__ = ["CodeKind", "CodeSpan", "CodeTrack", "FaultCode", "code_incident", "code_incidents"]

_MOST_SPANS = 1000
_BRACKET_NS = 5 * SECOND_NS
"""A sender that was silent for longer than this before says nothing about when the code became active."""


class CodeKind(StrEnum):
    """Which open protocol, or the user's own declaration, the code comes from."""

    SPN_FMI = "spn-fmi"
    EMCY = "emcy"
    ALERT = "alert"
    """Of NMEA 2000."""
    STATUS = "status"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCode:
    """One code of one controller over the whole capture."""

    controller: str
    kind: CodeKind
    code: str
    """As people write it: ``SPN 168 FMI 4``, ``EMCY 0x8130``, ``Alert 5/1/4711``, ``HopperStatus.State = FAULT``."""
    text: str
    """What it means, in our own words."""
    occurrences: int
    """How often it was raised in this capture."""
    first_ns: int
    last_ns: int
    """Last time it was seen active."""
    active: bool
    """Still active at the end of what was read."""
    active_spans: tuple[tuple[int, int | None], ...] = ()
    """(raised, cleared) in ns; None: not cleared."""
    spn: int | None = None
    fmi: int | None = None
    emcy: int | None = None
    controller_count: int | None = None
    """The controller's own occurrence count, where it sends one."""
    points_at: tuple[str, ...] = ()
    """Part kinds or names that it says to look at; empty when it says nothing."""
    lamps: tuple[str, ...] = ()
    """Warning lamps that were on in the controller's messages while it was active."""
    edges: tuple[tuple[int | None, int], ...] = ()
    """For each of `active_spans`: when its sender was last heard without it before (None: never), and when it last said
    that it is active, ns."""
    heard_spans: tuple[tuple[int, int], ...] | None = None
    """(from, to) in ns in which its sender said what is active; None: whenever the controller is on the bus."""


@dataclass(slots=True, kw_only=True)
class CodeSpan:
    """One stretch in which a code was active."""

    raised_ns: int
    not_yet_ns: int
    """The last moment at which its sender was heard without it; `raised_ns` where it was not heard before."""
    cleared_ns: int | None = None
    """None while it is active; after a silence, the last time that it was seen."""
    was_there: bool = False
    """It was active in the first message that was heard of its sender."""
    still_ns: int = 0
    """When its sender last said that it is active."""


class CodeTrack:
    """Takes what a sender said of one code, in the order of time.

    Notes
    -----
    Spans beyond the first thousand are counted and not kept.
    """

    __slots__ = ("count", "first_ns", "is_open", "lamps_on", "last_ns", "occurrences", "spans", "stored")

    def __init__(self, t_ns: int) -> None:
        self.first_ns = t_ns
        self.last_ns = t_ns
        self.count: int | None = None
        self.occurrences = 0
        self.spans: list[CodeSpan] = []
        self.is_open = False
        self.stored = False
        self.lamps_on = 0

    def seen(self, t_ns: int, count: int | None, not_yet_ns: int | None) -> None:
        """The sender said that it is active.

        Parameters
        ----------
        count : the sender's own occurrence count, None where it keeps none
        not_yet_ns : when the sender was last heard without it; None: it was never heard before
        """
        if not self.is_open:
            self.is_open = True
            self.occurrences += 1
            if len(self.spans) < _MOST_SPANS:
                before_ns = t_ns if not_yet_ns is None else not_yet_ns
                was_there = not_yet_ns is None
                self.spans.append(CodeSpan(raised_ns=t_ns, not_yet_ns=before_ns, was_there=was_there, still_ns=t_ns))
        self.count = count if count is not None else self.count
        self.last_ns = t_ns

    def clear(self, t_ns: int, seen_ns: int | None = None) -> None:
        """The sender said that it is gone; `seen_ns` is when it last said that it is active, if later than known."""
        self.last_ns = self.last_ns if seen_ns is None else max(self.last_ns, seen_ns)
        self._close(t_ns)

    def lapse(self, seen_ns: int | None) -> None:
        """The sender fell silent after it had last said, at `seen_ns`, that it is active."""
        self.last_ns = self.last_ns if seen_ns is None else max(self.last_ns, seen_ns)
        self._close(self.last_ns)

    def _close(self, t_ns: int) -> None:
        if self.is_open and self.occurrences == len(self.spans):
            self.spans[-1].cleared_ns = t_ns
            self.spans[-1].still_ns = max(self.spans[-1].still_ns, self.last_ns)
        self.is_open = False


def code_incidents(channel: int, code: FaultCode, track: CodeTrack, until_ns: int) -> Iterator[Incident]:
    """Give one incident for each raise of `track`, in the order of time."""
    for span, (raised_ns, cleared_ns) in zip(track.spans, code.active_spans, strict=True):
        if raised_ns > until_ns:
            continue
        unheard_ns = raised_ns - span.not_yet_ns
        notes: tuple[str, ...] = ()
        if span.was_there:
            notes = ("its sender's first message of codes: it may have been active before",)
        elif unheard_ns > _BRACKET_NS:
            notes = (f"its sender had sent no codes for {unheard_ns / SECOND_NS:.0f} s",)
        not_yet_ns = span.not_yet_ns if unheard_ns <= _BRACKET_NS else raised_ns
        yield code_incident(channel, code, raised_ns, cleared_ns, not_yet_ns=not_yet_ns, why=notes)


def code_incident(
    channel: int | None,
    code: FaultCode,
    raised_ns: int,
    cleared_ns: int | None,
    *,
    not_yet_ns: int | None = None,
    why: tuple[str, ...] = (),
) -> Incident:
    """Give the incident of one raise.

    Parameters
    ----------
    not_yet_ns : when its sender was last heard without it; None: `raised_ns`
    """
    return Incident(
        kind=IncidentKind.CODE,
        channel=channel,
        controllers=(code.controller,),
        last_seen_ns=raised_ns if not_yet_ns is None else not_yet_ns,
        onset_ns=raised_ns,
        back_ns=cleared_ns,
        steady_ns=cleared_ns,
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
        why=(code.text, *why),
        code=code.code,
    )
