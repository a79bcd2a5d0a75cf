"""A symptom that comes with start after start of a controller that resets itself: one fault, told many times over.

As long as nobody does anything, the fault that brought down the last run brings down this one, and the code with it. So
many showings within the blink of a start say no more than a few do; taken for independent they would speak for any two
parts together, which are twice as quick as one.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.actions.action import REMARKS, Action
from busdoc.symptoms.spans import joined, without
from busdoc.symptoms.symptom import ShowingSpan, Symptom
from busdoc.times import SECOND_NS

__all__ = ["without_repeats"]

_WITH_START_NS = 3 * SECOND_NS
"""What shows so soon after it could be seen again came with the start (the latency of a code, common practice)."""
_TOLD = 2
"""So many in a row are weighed one by one: once may be chance, and again is what makes it a habit."""
_BEFORE_PRESS_NS = 2 * SECOND_NS
"""So long a press may be written down after the hand moved (common practice)."""


def without_repeats(symptom: Symptom, actions: Sequence[Action]) -> Symptom:
    """Leave out the showings that start after start brought while nothing was done; their time counts as unseen.

    Examples
    --------
    >>> S = SECOND_NS
    >>> spans = tuple(ShowingSpan(since_ns=t * S + 1, not_yet_ns=t * S, still_ns=t * S + 2, gone_ns=(t + 2) * S)
    ...               for t in range(0, 50, 5))
    >>> from busdoc.symptoms.symptom import SymptomKind
    >>> one = Symptom(kind=SymptomKind.CODE, name="", text="", controller=None, spans=spans, latency_ns=0,
    ...     observable=tuple((t * S, (t + 2) * S) for t in range(0, 50, 5)))
    >>> len(without_repeats(one, []).spans), len(without_repeats(one, []).observable)
    (2, 2)
    """
    steps_ns = sorted(action.time_ns for action in actions if action.kind not in REMARKS)
    kept: list[ShowingSpan] = []
    left_out: list[tuple[int, int]] = []
    n_told, before_ns = 0, None
    for span in symptom.spans:
        begun_ns = _began_to_be_seen(span, symptom)
        if begun_ns is None or before_ns is None or _acted(steps_ns, before_ns, span.since_ns):
            n_told = 0
        n_told += begun_ns is not None
        before_ns = span.since_ns
        if begun_ns is not None and n_told > _TOLD and span.gone_ns is not None:
            left_out.append((begun_ns, span.gone_ns))
        else:
            kept.append(span)
    if not left_out:
        return symptom
    seen = [piece for stretch in symptom.observable for piece in without(stretch, left_out)]
    return replace(symptom, spans=tuple(kept), observable=joined(piece for piece in seen if piece[1] > piece[0]))


def _began_to_be_seen(span: ShowingSpan, symptom: Symptom) -> int | None:
    """Give the start of the stretch that a showing came with; None: it came later, or was there at first."""
    if span.not_yet_ns is None:
        return None
    begun_ns = max((from_ns for from_ns, _ in symptom.observable if from_ns <= span.since_ns), default=None)
    return begun_ns if begun_ns is not None and span.since_ns - begun_ns <= _WITH_START_NS else None


def _acted(steps_ns: Sequence[int], from_ns: int, to_ns: int) -> bool:
    return any(from_ns - _BEFORE_PRESS_NS < t <= to_ns + _BEFORE_PRESS_NS for t in steps_ns)
