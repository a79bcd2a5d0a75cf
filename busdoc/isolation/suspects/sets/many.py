"""A thousand incidents weighed in bounded time: of each run of them with nothing done between, the first and the last.

What is left out counts as unseen, from the first of those to the last, for everybody: neither as trouble nor as quiet.
So what is weighed is a record of its own, whose likelihood fits a double.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.isolation.suspects.losses import Losses

__all__ = ["MOST_WEIGHED", "bounded"]

MOST_WEIGHED = 80
"""Incidents that are weighed one by one (bound on work: two seconds)."""
_FEWEST_OF_A_RUN = 6
"""Of a run, whatever it costs: so many tell its rate to a factor of two (Garwood, Biometrika 28, 1936)."""


def bounded(losses: Losses, rows: Sequence[int], done_s: Sequence[float]) -> tuple[Losses, list[int]]:
    """Leave out the middle of long runs of incidents.

    Parameters
    ----------
    losses : all of them
    rows : those that no action explains, ascending
    done_s : when anything was done, s, ascending

    Returns
    -------
    The losses, with the stretches left out as unseen, and the rows that are weighed
    """
    rows = list(rows)
    if len(rows) <= MOST_WEIGHED:
        return losses, rows
    run_of = np.searchsorted(np.asarray(done_s, np.float64), losses.t_s[rows], side="right")
    cuts = np.flatnonzero(np.diff(run_of)) + 1
    runs = [run.tolist() for run in np.split(np.asarray(rows, np.int64), cuts)]
    share = max(_FEWEST_OF_A_RUN, 2 * (MOST_WEIGHED // (2 * len(runs))))
    kept: list[int] = []
    unseen: list[tuple[float, float]] = []
    for run in runs:
        if len(run) <= share + 1:
            kept += run
            continue
        half = share // 2
        kept += [*run[:half], *run[-half:]]
        # From just after the last that is kept was over until just before the next: nobody is judged there.
        from_s, to_s = float(losses.t_s[run[half]]), float(losses.t_s[run[-half]])
        unseen.append((from_s, np.nextafter(to_s, -np.inf)))
    away = tuple(_joined([*one, *unseen]) for one in losses.away)
    since = losses.since_s.copy()
    for _, to_s in unseen:
        first = int(np.searchsorted(losses.t_s, to_s, side="left"))
        since[first] = np.maximum(since[first], np.minimum(to_s, losses.t_s[first]))
    return replace(losses, away=away, since_s=_not_after(since, losses)), kept


def _not_after(since_s: Float64Array, losses: Losses) -> Float64Array:
    """Hold the returns before the losses that follow them."""
    held: Float64Array = np.minimum(since_s, losses.t_s[:, None])
    return held


def _joined(spans: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    found: list[tuple[float, float]] = []
    for from_s, to_s in sorted(spans):
        if found and from_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], to_s))
        else:
            found.append((from_s, to_s))
    return tuple(found)
