"""A symptom as losses: its controller "falls" as it begins to show, and is "away" while it shows or cannot be seen.

So one likelihood serves whatever shows. What differs stands in `Showing`: how well the beginning and the end of each
showing are known, how long after the fault it is seen, whether it stays until the power is cycled, how often a look is
wrong.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.suspects.exposure import THE_MACHINE
from busdoc.isolation.suspects.losses import Losses, Showing
from busdoc.symptoms.looks import looks_at
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["losses_of_symptom"]

_MOST_SHOWINGS = 120
"""More are not weighed one by one: the stretch of those in the middle counts as unseen (bound on work)."""


def losses_of_symptom(
    symptom: Symptom,
    controllers: Sequence[str],
    zero_ns: int,
    until_ns: int,
    away: Sequence[Sequence[tuple[float, float]]],
) -> Losses:
    """Put the showings of a symptom into arrays.

    Parameters
    ----------
    symptom : what is asked about
    controllers : names, in the order of the arrays; the symptom's own, or `THE_MACHINE`, is among them
    zero_ns : what the seconds count from
    until_ns : how far the record goes
    away : for each controller, when it was off the bus, s
    """
    names = list(controllers)
    observer = names.index(symptom.controller or THE_MACHINE)
    span_s = (until_ns - zero_ns) / SECOND_NS
    latency_s = symptom.latency_ns / SECOND_NS
    all_spans = sorted(symptom.spans, key=lambda span: span.since_ns)
    came = [span for span in all_spans if span.not_yet_ns is not None and span.since_ns <= until_ns]
    kept, unseen = _bounded(came)
    seen = [(max(a - zero_ns, 0) / SECOND_NS, (b - zero_ns) / SECOND_NS) for a, b in symptom.observable]
    # Away: while it shows, from the last look without it on; and whenever it cannot be seen.
    showing = [_away_s(span, zero_ns) for span in all_spans]
    blind = _gaps(seen, span_s)
    spans = _joined([*showing, *blind, *[(_s(a, zero_ns), _s(b, zero_ns)) for a, b in unseen]])
    n, width = len(kept), len(names)
    t_s, since_s, window_s = np.zeros(n), np.zeros((n, width)), np.zeros(n)
    end_s, end_window_s = np.full(n, np.inf), np.zeros(n)
    hit, up = np.zeros((n, width), np.bool_), np.zeros((n, width), np.bool_)
    for row, span in enumerate(kept):
        t = _s(span.since_ns, zero_ns)
        not_yet = max(_s(span.not_yet_ns, zero_ns), 0.0)
        # Since when it could have shown: the end of the last stretch in which it did or could not be seen; where it
        # came unseen, with a start of its controller, that start.
        before = _before(spans, min(not_yet, t))
        since = not_yet if before is None else before
        t_s[row], since_s[row] = t, since
        window_s[row] = max(t - max(min(not_yet, t) - latency_s, since), 1e-3)
        if span.gone_ns is not None:
            end_s[row] = _s(span.gone_ns, zero_ns)
            end_window_s[row] = max(end_s[row] - _s(span.still_ns, zero_ns), 0.0)
        hit[row, observer] = True
        up[row] = _up_at(away, t)
        up[row, observer] = True
    first = next((span for span in all_spans if span.not_yet_ns is None), None)
    at_first_until_s = None if first is None else np.inf if first.gone_ns is None else _s(first.gone_ns, zero_ns)
    mistaken, goes_on = _wrong_looks(symptom, kept)
    return Losses(
        incident=tuple(all_spans.index(span) for span in kept),
        t_s=t_s,
        hit=hit,
        up=up,
        since_s=since_s,
        p_restarted=np.full(n, np.nan),
        away=tuple(tuple(spans) if c == observer else tuple(away[c]) for c in range(width)),
        showing=Showing(
            observer=observer,
            window_s=window_s,
            end_s=end_s,
            end_window_s=end_window_s,
            mistaken=mistaken,
            goes_on=goes_on,
            looks_s=np.array([_s(t, zero_ns) for t, shows in symptom.looks if not shows]),
            latency_s=latency_s,
            errs=symptom.errs,
            p_latches=symptom.p_latches,
            only_after_starts=symptom.only_after_starts,
            its_own=int(symptom.controller is None),
            rests=symptom.kind is SymptomKind.COUNTER,
            at_first_until_s=at_first_until_s,
        ),
    )


def _wrong_looks(symptom: Symptom, spans: Sequence[ShowingSpan]) -> tuple[Float64Array, Float64Array]:
    """(K,) that a showing was none, every look that saw it being wrong; and that it had not ended, likewise."""
    if not symptom.looks:
        return np.zeros(len(spans)), np.zeros(len(spans))
    counts = [looks_at(symptom, span) for span in spans]
    n_with, n_without = (np.array([pair[k] for pair in counts], np.float64) for k in (0, 1))
    return symptom.errs ** np.maximum(n_with, 1.0), np.where(n_without > 0.0, symptom.errs**n_without, 0.0)


def _s(t_ns: int | None, zero_ns: int) -> float:
    return np.inf if t_ns is None else (t_ns - zero_ns) / SECOND_NS


def _away_s(span: ShowingSpan, zero_ns: int) -> tuple[float, float]:
    from_ns = span.since_ns if span.not_yet_ns is None else min(span.not_yet_ns, span.since_ns)
    from_s = 0.0 if span.not_yet_ns is None else max(_s(from_ns, zero_ns), 0.0)
    return from_s, max(_s(span.gone_ns, zero_ns), from_s)


def _bounded(came: Sequence[ShowingSpan]) -> tuple[list[ShowingSpan], list[tuple[int, int]]]:
    """Give the showings that are weighed, and the stretch of those that are not."""
    if len(came) <= _MOST_SHOWINGS:
        return list(came), []
    half = _MOST_SHOWINGS // 2
    left_out = came[half:-half]
    last_ns = left_out[-1].gone_ns
    return [*came[:half], *came[-half:]], [
        (left_out[0].since_ns, left_out[-1].since_ns if last_ns is None else last_ns)
    ]


def _gaps(seen: Sequence[tuple[float, float]], span_s: float) -> list[tuple[float, float]]:
    """What lies between the stretches in which it could be seen."""
    gaps, here = [], 0.0
    for from_s, to_s in seen:
        if from_s > here:
            gaps.append((here, from_s))
        here = max(here, to_s)
    return [*gaps, (here, np.inf)] if here < span_s - 1e-6 else gaps


def _joined(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for from_s, to_s in sorted(spans):
        if found and from_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], to_s))
        else:
            found.append((from_s, to_s))
    return found


def _before(spans: Sequence[tuple[float, float]], at_s: float) -> float | None:
    """Give since when it had been seen not to show, up to an instant; None: it could not be seen just before that."""
    back_s = 0.0
    for from_s, to_s in spans:
        if from_s >= at_s - 1e-9:
            break  # the showing itself
        if to_s > at_s:
            return None
        if to_s <= at_s + 1e-9:
            back_s = to_s
    return back_s if back_s < at_s else None


def _up_at(away: Sequence[Sequence[tuple[float, float]]], t: float) -> BoolArray:
    return np.array([not any(a <= t < b for a, b in one) for one in away], np.bool_)
