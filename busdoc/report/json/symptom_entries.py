"""Symptoms in the JSON document: what showed when, how well the edges are known, when it could be seen."""

from collections.abc import Mapping
from typing import Any

from busdoc.symptoms.symptom import ShowingSpan, Symptom
from busdoc.times import seconds

__all__ = ["symptom_entry"]


def symptom_entry(symptom: Symptom) -> Mapping[str, Any]:
    """Give one symptom; an edge lies within its uncertainty before the time that is given."""
    return {
        "name": symptom.name,
        "kind": str(symptom.kind),
        "controller": symptom.controller,
        "text": symptom.text,
        "codes": list(symptom.codes),
        "spans": [_span(span) for span in symptom.spans],
        "observable": [{"from_s": seconds(a), "to_s": seconds(b)} for a, b in symptom.observable],
        "latency_s": seconds(symptom.latency_ns),
        "showing": symptom.showing,
        "latches": symptom.latches,
        "p_latches": symptom.p_latches,
        "points_at": list(symptom.points_at),
    }


def _span(span: ShowingSpan) -> Mapping[str, Any]:
    return {
        "from_s": seconds(span.since_ns),
        "from_uncertainty_s": None if span.not_yet_ns is None else seconds(span.since_ns - span.not_yet_ns),
        "to_s": None if span.gone_ns is None else seconds(span.gone_ns),
        "to_uncertainty_s": None if span.gone_ns is None else seconds(max(span.gone_ns - span.still_ns, 0)),
    }
