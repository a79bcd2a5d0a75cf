"""Which other symptoms come and go apart from the complaint, and so may have a fault of their own.

A code and the dropout of one cause come together, within their latencies: they are one fault, seen twice. What comes
while the complaint could be seen and did not show, and stays away while that shows, has another cause.
"""

from collections.abc import Sequence

from busdoc.actions.action import Action
from busdoc.symptoms.complaint import follows_opening
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["apart_from", "come_apart"]

_AFTER_BACK_NS = 10 * SECOND_NS
"""So long after a showing is over what it brought may come still: a controller that is back tells of its faults
(common practice: a self-test takes one to ten seconds)."""
_LEAST = 2
"""What came apart once only may be chance, or the same fault seen half."""


def apart_from(
    complaint: Sequence[Symptom], symptoms: Sequence[Symptom], actions: Sequence[Action]
) -> tuple[Symptom, ...]:
    """Give the symptoms that come and go apart from the complaint, most often first.

    Parameters
    ----------
    complaint : the symptom; where it is the dropouts, one for each controller that fell
    symptoms : all of the record
    actions : what was done: codes of an open circuit speak of no fault
    """
    if not any(one.spans for one in complaint):
        return ()
    asked = {one.name for one in complaint}
    found = []
    for one in symptoms:
        about_another = "segment" in one.points_at and one.kind is SymptomKind.CODE
        if one.name in asked or one.kind is SymptomKind.BUS or about_another:
            continue
        n_apart = come_apart(one, complaint, actions)
        if n_apart >= _LEAST:
            found.append((n_apart, one))
    return tuple(one for _, one in sorted(found, key=lambda pair: -pair[0]))


def come_apart(one: Symptom, others: Sequence[Symptom], actions: Sequence[Action]) -> int:
    """Count how often a symptom came by itself; 0 where it rather comes with the others.

    Examples
    --------
    >>> def shown(*at_s):
    ...     spans = tuple(
    ...         ShowingSpan(since_ns=t * SECOND_NS, not_yet_ns=(t - 1) * SECOND_NS, still_ns=(t + 2) * SECOND_NS,
    ...             gone_ns=(t + 3) * SECOND_NS) for t in at_s)
    ...     return Symptom(kind=SymptomKind.CODE, name="", text="", controller=None, spans=spans,
    ...         observable=((0, 900 * SECOND_NS),), latency_ns=3 * SECOND_NS)
    >>> come_apart(shown(50, 150, 400), [shown(100, 300)], []), come_apart(shown(101, 299), [shown(100, 300)], [])
    (3, 0)
    """
    came = [span for span in one.spans if span.not_yet_ns is not None and not follows_opening(span.since_ns, actions)]
    seen = [span for span in came if all(_could_be_seen(other, span.since_ns) for other in others)]
    alone = [span for span in seen if not any(_near(span, other, one.latency_ns) for other in others)]
    return len(alone) if 2 * len(alone) > len(seen) else 0


def _near(span: ShowingSpan, other: Symptom, latency_ns: int) -> bool:
    """Whether a showing began while the other showed, or so soon before or after that one cause can have made both."""
    reach_ns = max(latency_ns, other.latency_ns)
    began_ns = span.since_ns if span.not_yet_ns is None else min(span.not_yet_ns, span.since_ns)
    for beside in other.spans:
        from_ns = beside.since_ns if beside.not_yet_ns is None else min(beside.not_yet_ns, beside.since_ns)
        to_ns = None if beside.gone_ns is None else beside.gone_ns + _AFTER_BACK_NS
        if span.since_ns >= from_ns - reach_ns and (to_ns is None or began_ns <= to_ns):
            return True
    return False


def _could_be_seen(other: Symptom, at_ns: int) -> bool:
    shows = any(one.since_ns <= at_ns and (one.gone_ns is None or at_ns <= one.gone_ns) for one in other.spans)
    return shows or any(from_ns <= at_ns <= to_ns for from_ns, to_ns in other.observable)
