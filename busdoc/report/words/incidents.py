"""How an incident, and what it answers to, is put into words."""

from collections.abc import Mapping, Sequence

from busdoc.actions.action import Action
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.isolation.verdict import Because
from busdoc.report.words.headline import act_in_words
from busdoc.words.duration import duration
from busdoc.words.probability import odds

__all__ = ["answer_in_words", "away_in_words", "incident_in_words", "names_in_words", "ran_on_in_words"]

_MOST_NAMES = 6


def names_in_words(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    """List names, the first few of many.

    >>> names_in_words(["hopper", "fan"]), names_in_words(["a", "b", "c"], most=2)
    ('hopper, fan', 'a, b and 1 more')
    """
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def incident_in_words(incident: Incident) -> str:
    """Say what happened, as the start of a sentence."""
    names = names_in_words(incident.controllers) or "something"
    return {
        IncidentKind.DROPOUT: f"{names} dropped off the bus",
        IncidentKind.RESTART: f"{names} restarted",
        IncidentKind.LATE: f"{names} late: some of its streams stopped while others went on",
        IncidentKind.BUS_SILENCE: "the whole bus fell silent",
        IncidentKind.CAPTURE_GAP: "the recorder lost frames or time",
        IncidentKind.CODE: f"{names} raised {incident.code or 'a fault code'}",
    }[incident.kind]


def away_in_words(incident: Incident) -> str:
    """Say for how long it lasted; empty where that means nothing."""
    if incident.kind in (IncidentKind.RESTART, IncidentKind.CODE):
        return ""
    if incident.back_ns is None:
        return "silent to the end"
    text = f"back after {duration(incident.back_ns - incident.last_seen_ns)}"
    if incident.steady_ns is not None and incident.steady_ns > incident.back_ns:
        text += f", in step {duration(incident.steady_ns - incident.back_ns)} later"
    return text


def answer_in_words(because: Because, by_n: Mapping[int, Action]) -> str:
    """Say which action the incident answers to, as a sentence."""
    action = by_n.get(because.action) if because.action is not None else None
    if action is None:
        if not by_n:
            return "No actions are recorded."
        return f"No recorded action explains it ({odds(because.spontaneous)} that none did)."
    lag = ""
    if because.lag_ns is not None:
        side = "after" if because.lag_ns >= 0 else "before"
        lag = f", {duration(abs(because.lag_ns))} {side} the time written down"
    if because.expected:
        return f"Expected: {act_in_words(action)} (action {action.n}) takes it away{lag}."
    return f"Answers to {act_in_words(action)} (action {action.n}, {odds(because.probability)}{lag})."


def ran_on_in_words(ran_on: RanOn, p_restarted: float | None) -> str:
    """Say whether it restarted, and how surely.

    >>> ran_on_in_words(RanOn.KEPT_RUNNING, 0.02)
    'kept running (98 %)'
    """
    if p_restarted is None or ran_on is RanOn.UNKNOWN:
        return str(ran_on)
    return f"{ran_on} ({odds(p_restarted if ran_on is RanOn.RESTARTED else 1 - p_restarted)})"
