"""Latched or free: whether a symptom stays until the power is cycled, learnt from how its showings ended.

One that was seen gone with nobody near the power does not latch. Of a latched one every showing lasts until the power
is cycled; of a free one, only where nothing that was done took its cause away before.
"""

from collections.abc import Sequence

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.symptoms.looks import SAID_AGAIN_NS, looks_at
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["STAYS_FROM", "latching_in_words", "probability_latched"]

_PRIOR = 0.45
"""That a code latches where nothing is known (common practice: about half of hardware faults are held)."""
_MAP = {True: 0.97, False: 0.03}
"""The same where the map says so, or says the contrary: maps are right as a rule (common practice)."""
_WRONG = 0.03
"""That a power cycle was not written down, or a look was wrong (common practice)."""
_LASTS = 0.6
"""That a free symptom lasts until somebody cycles the power, as long as its cause is in (common practice)."""
_LASTS_OUT = 0.7
"""The same for each part that was unplugged meanwhile: as a rule the bad one is not the first (common practice)."""
_PASSING = 0.08
"""That a free symptom comes and goes again, or goes and comes again, between two looks with nothing done (common
practice: what holds does not, and of what does not hold one in five is so quick)."""
_JUST_S = 3
"""A press comes this much before or after what it tells of (common practice)."""
STAYS_FROM = 0.8
"""From four in five on it is said to stay: 'likely', by definition of our words."""


def probability_latched(symptom: Symptom, actions: Sequence[Action]) -> float:
    """Give the probability that a symptom stays until its controller's power is cycled."""
    if symptom.kind is SymptomKind.COUNTER:
        return _PRIOR  # a step is over at once: how it ends tells nothing
    prior = _PRIOR if symptom.latches is None else _MAP[symptom.latches]
    latched, free = prior, 1.0 - prior
    just_ns = _JUST_S * SECOND_NS
    for span in symptom.spans:
        until_ns = symptom.observable[-1][1] if span.gone_ns is None and symptom.observable else span.gone_ns
        if until_ns is None:
            continue
        during = [a for a in actions if span.since_ns - just_ns < a.time_ns < until_ns + just_ns]
        cycled = [a for a in during if a.kind in POWER_KINDS] or _ends_by_power(span.gone_ns, symptom)
        opened = {
            a.part
            for a in during
            if a.kind in (ActionKind.UNPLUG, ActionKind.REPLACE, ActionKind.SWAP)
            and a.time_ns < until_ns - symptom.latency_ns
        }
        if span.gone_ns is not None and not cycled:
            passing = _is_one_look_s(span, symptom, actions)
            latched *= symptom.errs if passing else _WRONG
            free *= symptom.errs + _PASSING if passing else 1.0
        elif cycled or opened:
            free *= (_LASTS if cycled else 1.0) * _LASTS_OUT ** len(opened)
    return latched / (latched + free)


def _is_one_look_s(span: ShowingSpan, symptom: Symptom, actions: Sequence[Action]) -> bool:
    """Whether a single look tells of a showing, or of its end with nothing done before it showed again: it may err."""
    if not symptom.looks:
        return False
    n_with, n_without = looks_at(symptom, span)
    again_ns = next((one.since_ns for one in symptom.spans if one.since_ns > span.since_ns), None)
    still = again_ns is not None and not any(
        span.still_ns < a.time_ns < again_ns for a in actions if a.kind not in REMARKS
    )
    return n_with == 1 or (n_without == 1 and still)


def _ends_by_power(gone_ns: int | None, symptom: Symptom) -> bool:
    """Whether a showing ended as its controller fell silent: before it was due to say so again."""
    return gone_ns is not None and any(
        -SECOND_NS // 2 < to_ns - gone_ns < SAID_AGAIN_NS for _, to_ns in symptom.observable
    )


def latching_in_words(symptom: Symptom) -> str:
    """Say how it goes away, where that is known; else nothing."""
    if not symptom.spans:
        return ""
    if symptom.only_after_starts:
        return "comes only after a start, in its controller's self-test"
    if symptom.p_latches >= STAYS_FROM:
        return "stays until the power is cycled"
    return "goes away by itself once its cause is gone" if symptom.p_latches <= 1.0 - STAYS_FROM else ""
