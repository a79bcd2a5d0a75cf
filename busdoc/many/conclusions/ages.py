"""Captures in time: the age of each machine, before and after a change, month by month."""

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

import numpy as np

from busdoc.many.conclusions.counts import MachineCounts
from busdoc.many.statistics.before_after import Change, Stratum, change_of
from busdoc.many.statistics.power_law import Life
from busdoc.many.statistics.rates import Rate, rate_of

__all__ = ["before_and_after", "before_and_after_elsewhere", "lives_of", "rates_by_month"]

_LEAST_CAPTURES = 2
"""Of a machine: from then on it has an age to speak of."""
_HOUR_S, _DAY_H = 3600.0, 24.0


def lives_of(machines: Sequence[MachineCounts], changed: str) -> tuple[Mapping[str, Life], bool]:
    """Give each machine's life in hours of age: by its hour meter, or since its first capture.

    The meter is used where at least half of the captures have one; captures without the age that is used are left out,
    and so are those from the day on which the machine was changed on: what a change does is no trend.
    """
    told = sum(float(np.isfinite(np.asarray(one.meter_h)).sum()) for one in machines)
    by_meter = told >= sum(len(one.hours) for one in machines) / 2.0 > 0.0
    lives = {}
    for one in machines:
        begins = np.asarray(one.meter_h if by_meter else one.start_h, np.float64)
        known = np.isfinite(begins)
        day = one.changed or changed
        if day:
            known &= ~(np.asarray(one.start_h) >= _begin_h(day))
        if known.sum() < _LEAST_CAPTURES:
            continue
        if not by_meter:
            begins = begins - begins[known].min()
        lengths = np.asarray(one.length_h)
        spans = sorted((b, b + w) for b, w in zip(begins[known].tolist(), lengths[known].tolist(), strict=True))
        events = np.asarray(one.event_of, np.int64)
        ages = begins[events] + np.asarray(one.event_at_h)
        lives[one.name] = Life(ages=tuple(ages[known[events]].tolist()), watched=_apart(spans))
    return lives, by_meter


def _apart(spans: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Join spans that overlap."""
    joined: list[tuple[float, float]] = []
    for begin, end in spans:
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return tuple(joined)


def before_and_after(machines: Sequence[MachineCounts], changed: str, bunching: float) -> Change | None:
    """Compare before and after: each machine on the day of its own, or on that of all; the day itself is left out."""
    days = [(one, one.changed or changed) for one in machines]
    return change_of([_stratum(one, day) for one, day in days if day], bunching=bunching)


def before_and_after_elsewhere(machines: Sequence[MachineCounts], changed: str, bunching: float) -> Change | None:
    """Compare the same on machines that were not changed: what changed there came of something else."""
    days = sorted(one.changed for one in machines if one.changed)
    if changed or not days:
        return None
    others = [one for one in machines if not one.changed]
    return change_of([_stratum(one, days[len(days) // 2]) for one in others], bunching=bunching)


def _stratum(one: MachineCounts, day: str) -> Stratum:
    begins, n, hours, edge_h = np.asarray(one.start_h), np.asarray(one.n), np.asarray(one.hours), _begin_h(day)
    before, after = begins + np.asarray(one.length_h) <= edge_h, begins >= edge_h + _DAY_H
    return Stratum(
        n_before=int(n[before].sum()),
        h_before=float(hours[before].sum()),
        n_after=int(n[after].sum()),
        h_after=float(hours[after].sum()),
    )


def _begin_h(day: str) -> float:
    """Give the Unix time in hours at which a day begins (UTC)."""
    return datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() / _HOUR_S


def rates_by_month(machines: Sequence[MachineCounts], bunching: float) -> tuple[tuple[str, Rate], ...]:
    """Give (month, rate) in order, of all captures with a date."""
    sums: dict[str, list[float]] = {}
    for one in machines:
        for start_h, n, hours in zip(one.start_h, one.n, one.hours, strict=True):
            if math.isfinite(start_h):
                month = f"{datetime.fromtimestamp(start_h * 3600.0, UTC):%Y-%m}"
                so_far = sums.setdefault(month, [0.0, 0.0])
                so_far[0] += n
                so_far[1] += hours
    return tuple((month, rate_of(int(n), hours, bunching=bunching)) for month, (n, hours) in sorted(sums.items()))
