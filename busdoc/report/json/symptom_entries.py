"""Symptoms in the JSON document: what showed when, how well the edges are known, when it could be seen."""

from collections.abc import Iterable, Mapping
from typing import Any

from busdoc.isolation.verdict import Because
from busdoc.symptoms.symptom import ShowingSpan, Symptom
from busdoc.times import seconds

__all__ = ["symptom_entry"]


def symptom_entry(symptom: Symptom, answers: Iterable[tuple[int, Because]] = ()) -> Mapping[str, Any]:
    """Give one symptom; an edge lies within its uncertainty before the time that is given.

    Parameters
    ----------
    answers : of the complaint, which action each showing answers to
    """
    by_time = dict(answers)
    return {
        "name": symptom.name,
        "kind": str(symptom.kind),
        "controller": symptom.controller,
        "text": symptom.text,
        "codes": list(symptom.codes),
        "spans": [_span(span, by_time.get(span.since_ns)) for span in symptom.spans],
        "observable": [{"from_s": seconds(a), "to_s": seconds(b)} for a, b in symptom.observable],
        "latency_s": seconds(symptom.latency_ns),
        "showing": symptom.showing,
        "latches": symptom.latches,
        "p_latches": symptom.p_latches,
        "only_after_starts": symptom.only_after_starts,
        "points_at": list(symptom.points_at),
    }


def _span(span: ShowingSpan, because: Because | None) -> Mapping[str, Any]:
    return {
        "from_s": seconds(span.since_ns),
        "from_uncertainty_s": None if span.not_yet_ns is None else seconds(span.since_ns - span.not_yet_ns),
        "to_s": None if span.gone_ns is None else seconds(span.gone_ns),
        "to_uncertainty_s": None if span.gone_ns is None else seconds(max(span.gone_ns - span.still_ns, 0)),
        "because": None
        if because is None or because.action is None
        else {
            "action": because.action,
            "probability": because.probability,
            "lag_s": None if because.lag_ns is None else seconds(because.lag_ns),
        },
    }
