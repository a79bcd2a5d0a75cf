"""A symptom that comes only after a start: its controller looks for the fault in its self-test alone.

Then a part may be plugged in under power and nothing happens; with the next start it shows. Learnt from the record: it
never came while its controller ran, and a start brought it although the same plugs had been quiet before. Where that is
rather so than not, it can be seen only for a while after each start.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.symptoms.spans import joined, overlap
from busdoc.symptoms.symptom import ShowingSpan, Symptom
from busdoc.times import SECOND_NS

__all__ = ["probability_of_self_test", "seen_after_starts"]

_PRIOR = 0.1
"""That a code is tested for at the start alone (common practice: a few plausibility checks are)."""
_QUIET_BY_CHANCE = 0.1
"""That a fault which shows at any time was quiet for so long with the same plugs, and then came with the start: most
show within seconds (common practice)."""
_RUNNING = 0.02
"""That a code of a self-test seems to come while its controller runs: a start was missed (common practice)."""
_QUIET_NS = 10 * SECOND_NS
_TESTS_NS = 10 * SECOND_NS
"""Self-tests are done so long after a start (common practice: one to ten seconds)."""
_LIKELY = 0.5
"""Rather so than not: one half, by definition."""


def probability_of_self_test(symptom: Symptom, actions: Sequence[Action]) -> float:
    """Give the probability that a symptom comes only after a start of its controller."""
    by_start, anytime = _PRIOR, 1.0 - _PRIOR
    for span in symptom.spans:
        if span.not_yet_ns is None:
            continue
        if not _came_with_start(span, symptom):
            by_start *= _RUNNING
        elif _was_quiet_with_the_same_plugs(span, symptom, actions):
            anytime *= _QUIET_BY_CHANCE
    return by_start / (by_start + anytime)


def seen_after_starts(symptom: Symptom, actions: Sequence[Action]) -> Symptom:
    """Let a symptom be seen only after starts, and while it shows, where that is how it comes."""
    if probability_of_self_test(symptom, actions) <= _LIKELY:
        return symptom
    first_ns = symptom.observable[0][0]
    tested = [(first_ns, first_ns + _TESTS_NS)] if symptom.spans[0].not_yet_ns is None else []
    tested += [(from_ns, from_ns + _TESTS_NS) for from_ns, _ in symptom.observable[1:]]
    end_ns = symptom.observable[-1][1]
    shown = [(span.since_ns, end_ns if span.gone_ns is None else span.gone_ns) for span in symptom.spans]
    seen = overlap(symptom.observable, joined([*tested, *[(a, b) for a, b in shown if b > a]]))
    return replace(symptom, observable=seen, only_after_starts=True)


def _came_with_start(span: ShowingSpan, symptom: Symptom) -> bool:
    """Whether it was there within a self-test's time of when it could first be seen again."""
    return any(
        0 <= span.since_ns - from_ns <= _TESTS_NS and (span.not_yet_ns or 0) >= to_ns
        for (_, to_ns), (from_ns, _) in zip(symptom.observable, symptom.observable[1:], strict=False)
    )


def _was_quiet_with_the_same_plugs(span: ShowingSpan, symptom: Symptom, actions: Sequence[Action]) -> bool:
    """Whether it could be seen and did not show, for long, before the start that brought it, and no plug was moved."""
    before = [stretch for stretch in symptom.observable if stretch[1] <= (span.not_yet_ns or 0)]
    if not before:
        return False
    from_ns, to_ns = before[-1][1] - _QUIET_NS, before[-1][1]
    free = before[-1][0] <= from_ns and not any(
        one.since_ns < to_ns and (one.gone_ns is None or one.gone_ns > from_ns) for one in symptom.spans if one != span
    )
    still = (*POWER_KINDS, *REMARKS, ActionKind.WIGGLE)
    moved = any(a.kind not in still and from_ns - SECOND_NS < a.time_ns < span.since_ns for a in actions)
    return free and not moved
