"""Looks of a person: how many a showing rests on, and when another one is worth asking for.

Each is wrong now and then, several in a row hardly ever. Worth most are those that follow a step, and the second one
where what is seen has changed.
"""

from collections.abc import Sequence
from enum import StrEnum
from itertools import takewhile

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["LOOKS_WITHIN_NS", "SAID_AGAIN_NS", "Asked", "look_asked", "looks_at", "unseen_since"]

LOOKS_WITHIN_NS = 15 * SECOND_NS
"""People who wait for something look up every ten seconds or so, and within this time for sure (common practice)."""
_AGAIN_NS = 2 * SECOND_NS
"""A second look sooner than this is the same one still (common practice)."""
SAID_AGAIN_NS = SECOND_NS * 3 // 2
"""Active codes are said once a second (SAE J1939-73 5.7.1), with room for a busy bus."""
_LOOKS = (ActionKind.SEEN, ActionKind.GONE)


class Asked(StrEnum):
    """What a person is asked for."""

    NOTHING = ""
    LOOK = "look"
    AGAIN = "look again"


def look_asked(symptom: Symptom, actions: Sequence[Action], now_ns: int) -> Asked:
    """Say whether a look is worth asking for now.

    After a step, once the fault has had the time to show; again where one look alone saw a change; else when nobody
    has looked for a while. Nothing is to be seen with the machine switched off.

    Parameters
    ----------
    symptom : the complaint
    actions : what was done and seen, in any order
    now_ns : the time now
    """
    ordered = sorted((one for one in actions if one.time_ns <= now_ns), key=lambda one: (one.time_ns, one.n))
    looks = [one for one in ordered if one.kind in _LOOKS]
    power = [one.kind for one in ordered if one.kind in (ActionKind.POWER_OFF, ActionKind.POWER_ON) and not one.part]
    if symptom.kind is not SymptomKind.SEEN or not looks or power[-1:] == [ActionKind.POWER_OFF]:
        return Asked.NOTHING
    last = looks[-1]
    step_ns = max((one.time_ns for one in ordered if one.kind not in REMARKS), default=0)
    if step_ns >= last.time_ns:
        return Asked.LOOK if now_ns >= step_ns + symptom.latency_ns else Asked.NOTHING
    changed = [one.kind for one in looks[-2:]] != [last.kind, last.kind]
    if changed:
        return Asked.AGAIN if now_ns >= last.time_ns + _AGAIN_NS else Asked.NOTHING
    return Asked.LOOK if now_ns >= last.time_ns + LOOKS_WITHIN_NS else Asked.NOTHING


def unseen_since(symptom: Symptom, until_ns: int) -> bool:
    """Whether nobody can say that what ended has gone: it went with the power, or its controller, and that was all.

    What a person saw: nobody has looked since. What a controller says: that fell silent before it was due to say so
    again, and has not been heard since.

    Parameters
    ----------
    until_ns : the end of the record
    """
    gone_ns = symptom.spans[-1].gone_ns if symptom.spans else None
    if gone_ns is None:
        return False
    if symptom.kind is SymptomKind.SEEN:
        return all(t < gone_ns for t, _ in symptom.looks)
    heard_ns = symptom.observable[-1][1] if symptom.observable else until_ns
    return heard_ns - gone_ns < SAID_AGAIN_NS < until_ns - heard_ns


def looks_at(symptom: Symptom, span: ShowingSpan) -> tuple[int, int]:
    """Count the looks that saw a showing, and those after it that did not, until it showed again.

    Examples
    --------
    >>> from busdoc.symptoms.symptom import SymptomKind
    >>> span = ShowingSpan(since_ns=20, not_yet_ns=10, still_ns=30, gone_ns=40)
    >>> looks = ((10, False), (20, True), (30, True), (40, False), (90, True))
    >>> one = Symptom(kind=SymptomKind.SEEN, name="", text="", controller=None, spans=(span,), latency_ns=0,
    ...     observable=((0, 90),), errs=0.03, looks=looks)
    >>> looks_at(one, span)
    (2, 1)
    """
    gone_ns = span.gone_ns
    n_with = sum(shows and span.since_ns <= t and (gone_ns is None or t < gone_ns) for t, shows in symptom.looks)
    if gone_ns is None:
        return n_with, 0
    after = [shows for t, shows in symptom.looks if t >= gone_ns]
    return n_with, len(list(takewhile(lambda shows: not shows, after)))
