"""The one duration of quiet: the time in which this fault would have shown with 95 %, and why it is as long as that.

The next test, what clears a part, the proof of a repair and `resync --watch` all wait for it. Takes the findings; also
says what was replaced, how long it has been quiet since, and whether the trouble came again.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.actions.plugged import opening_state
from busdoc.arrays import Float64Array
from busdoc.isolation.suspects.dwell import dwell_s
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.rates import CONFIDENCE, SHORTEST_QUIET_S
from busdoc.isolation.verdict import ELSEWHERE, NAMED_FROM, Quiet, Repair
from busdoc.times import SECOND_NS
from busdoc.words.counting import times
from busdoc.words.duration import span
from busdoc.words.probability import odds

__all__ = ["quiet_of", "repairs_of"]

_AT_ONCE_S = 1.0
"""What showed within so long of a press for a new part was still the old one's (common practice: presses come late)."""


def quiet_of(findings: Findings) -> Quiet | None:
    """Give how long it must stay quiet until this fault would have shown; None where nothing showed.

    The rate is what the record says of the fault, whichever of the suspects it is: of a part that is named its own,
    else the mean over the suspects by their probabilities.
    """
    rows = list(findings.unexplained)
    if not rows and not len(findings.evidence.starts.action):
        return None
    marginal = findings.posterior.marginal
    named = np.flatnonzero(marginal >= NAMED_FROM).tolist()
    if named:
        needed_s = max(_dwell_s(findings.posterior.rate[p]) for p in named)
    else:
        needed_s = _dwell_s((marginal / max(float(marginal.sum()), 1e-300)) @ findings.posterior.rate)
    return Quiet(needed_ns=round(needed_s * SECOND_NS), why=_why(findings, needed_s))


def _dwell_s(rate: Float64Array) -> float:
    """Give the dwell to the second, rounded up: what is said is what is waited for."""
    return float(np.ceil(max(dwell_s(CONFIDENCE, rate), SHORTEST_QUIET_S)))


def _why(findings: Findings, needed_s: float) -> str:
    """Say what the length rests on."""
    rows = list(findings.unexplained)
    what = "it" if findings.losses.showing is None else "the complaint"
    came = f"{what} came {times(len(rows))} in {span(_exposed_s(findings))} that it could have" if rows else (
        f"{what} did not start with the power"
    )  # fmt: skip
    return f"{came}; a fault like it shows within {span(needed_s)} with {odds(CONFIDENCE)}"


def _exposed_s(findings: Findings) -> float:
    """Give how long the likeliest part was joined to a controller that was there, s; without one, the whole time."""
    reach, span_s = findings.reach, findings.span_s
    marginal = findings.posterior.marginal
    if not len(marginal):
        return span_s
    p = int(np.argmax(marginal))
    if findings.posterior.elsewhere > marginal[p]:
        return span_s
    reached = np.any(reach.reaches[:, p], axis=1)
    home = np.flatnonzero(reach.ever[p]).tolist()
    edges = [0.0, *_done_s(findings), span_s]
    spans = [(edges[m], edges[m + 1]) for m in range(len(edges) - 1) if reached[m]]
    return max(min(_watched_s(findings, spans, home), span_s), 1.0) if home else span_s


def _done_s(findings: Findings) -> list[float]:
    """When each action was done, as written down, s from the start, ascending and within the record."""
    at_s = np.array([(a.time_ns - findings.start_ns) / SECOND_NS for a in findings.actions])
    return np.clip(np.maximum.accumulate(at_s), 0.0, findings.span_s).tolist() if len(at_s) else []


def _watched_s(findings: Findings, spans: Sequence[tuple[float, float]], controllers: Sequence[int]) -> float:
    """Give how much of some spans at least one of these controllers was there for, s."""
    best_s = 0.0
    for c in controllers:
        away = findings.losses.away[c]
        there_s = 0.0
        for from_s, to_s in spans:
            away_s = sum(max(0.0, min(b, to_s) - max(a, from_s)) for a, b in away)
            there_s += max(0.0, to_s - from_s - away_s)
        best_s = max(best_s, there_s)
    return best_s


def repairs_of(findings: Findings) -> tuple[Repair, ...]:
    """Give every part that was replaced, the last time of each, by time."""
    last: dict[str, int] = {}
    for m, action in enumerate(findings.actions):
        if action.kind is ActionKind.REPLACE and action.part is not None:
            last[action.part] = m
    return tuple(_repair(findings, part, m) for part, m in sorted(last.items(), key=lambda item: item[1]))


def _repair(findings: Findings, part: str, m: int) -> Repair:
    action, reach = findings.actions[m], findings.reach
    at_s = (action.time_ns - findings.start_ns) / SECOND_NS
    again_s = [
        float(findings.losses.t_s[row])
        for row in findings.unexplained
        if findings.losses.t_s[row] > at_s + _AT_ONCE_S
    ]  # fmt: skip
    p = reach.parts.index(part) if part in reach.parts else None
    home = [] if p is None else np.flatnonzero(np.any(reach.reaches[: m + 1, p], axis=0)).tolist()
    until_s = min(again_s, default=findings.span_s)
    spans = [(a, min(b, until_s)) for a, b in _plugged_s(findings, part, m) if a < until_s]
    quiet_s = _watched_s(findings, spans, home) if home else sum(b - a for a, b in spans)
    return Repair(
        part=part,
        action=action.n,
        at_ns=action.time_ns,
        quiet_ns=round(quiet_s * SECOND_NS),
        came_back_ns=findings.start_ns + round(min(again_s) * SECOND_NS) if again_s else None,
    )


def _plugged_s(findings: Findings, part: str, m: int) -> list[tuple[float, float]]:
    """Give when the new part was in, from action `m` on, s."""
    edges = [*_done_s(findings)[m:], findings.span_s]
    state = opening_state(findings.machine, findings.actions)
    spans: list[tuple[float, float]] = []
    for k, action in enumerate(findings.actions):
        state = state.after(action)
        if k >= m and (part == ELSEWHERE or part not in state.place_of or state.plugged(part)):
            spans.append((edges[k - m], edges[k - m + 1]))
    return spans
