"""Turns the course of a fault code into incidents for the timeline, one for each time that it was raised."""

from collections.abc import Iterator

from busdoc.health.code import FaultCode
from busdoc.health.code_track import CodeTrack
from busdoc.health.incident import Incident, IncidentKind, RanOn

__all__ = ["code_incident", "code_incidents"]

_BRACKET_NS = 5_000_000_000
"""A sender that was silent for longer than this before says nothing about when the code became active."""


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
            notes = (f"its sender had sent no codes for {unheard_ns / 1e9:.0f} s",)
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
