"""How far a journal's clock is off, by the pattern of all presses against that of all losses and returns.

Shifts that bring presses near what happened are weighed from afar, the best of them closely, against a clock that is
right and one that fits nothing. Takes actions and incidents; knows nothing of suspects, and keeps nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import REMARKS, Action, Origin
from busdoc.actions.clock_pattern.likelihood import log_likelihood
from busdoc.actions.clock_pattern.story import Story, Takes, story_of
from busdoc.arrays import Float64Array
from busdoc.health.incident import Incident
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["ClockFit", "Takes", "fit_clock"]

_SURE = 0.9
_ZERO_S = 3.0
"""A clock that is off by less is left as it is: presses are no better."""
_RIGHT_S = 1.25
"""One that is set is off by less (common practice)."""
_CELL_S = 0.5
_WRONG = 0.1
"""Prior probability that a clock is off: log-uniform from a second to a day (common practice)."""
_ZONE = 0.03
"""Of those: by whole half hours, as zones lie (IANA time zone database)."""
_HALF_HOUR_S, _DAY_S = 1800.0, 86_400.0
_NEAR_ZONE_S = 4.0
_MOST_SHIFTS = 1200
"""Shifts that are tried, those first that bring most presses near what happened (bound on work)."""
_MOST_CLOSE = 12
"""Of those, as many are looked at closely (bound on work)."""
_MOST_PAIRS = 20_000
"""Presses times incidents: of more nothing is looked for (bound on work)."""
_MOST_CLOSE_PAIRS = 2000
"""Of more, two faults and the length of starts are not asked for (bound on work)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """What the pattern of presses says of the clock."""

    right: float
    """Probability that the clock is right."""
    offset_ns: int | None
    """How far the journal runs ahead; None: not surely one shift."""


def fit_clock(
    machine: Machine,
    actions: Sequence[Action],
    falls: Sequence[Incident],
    takes: Sequence[Takes],
    first_heard_ns: Mapping[str, int],
    watched_ns: tuple[int, int],
) -> ClockFit:
    """Weigh all shifts of the journal's clock against none.

    Parameters
    ----------
    machine : the map, possibly empty
    actions : of the journal, ascending by time
    falls : losses of controllers
    takes : of `actions`, those that take controllers away at once, with which of `falls` look like it
    first_heard_ns : of the controllers that were heard at all
    watched_ns : since when, and until when, the bus was watched
    """
    done = [one for one in actions if one.kind not in REMARKS and one.origin is Origin.JOURNAL]
    if not done or not falls or len(done) * len(falls) > _MOST_PAIRS:
        return ClockFit(right=1.0, offset_ns=None)
    story = story_of(machine, done, falls, takes, first_heard_ns, watched_ns)
    shifts_s = _candidates(story)
    closely = len(done) * len(falls) <= _MOST_CLOSE_PAIRS
    log_l = log_likelihood(story, np.append(shifts_s, 1e3 * _DAY_S), closely=closely)  # the last: one that fits nothing
    log_w = log_l + np.append(_log_prior(shifts_s), np.log(_WRONG))
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    right = float(weight[:-1][np.abs(shifts_s) < _ZERO_S].sum())
    around = np.abs(shifts_s[:, None] - shifts_s[None, :]) < _ZERO_S
    best_s = float(shifts_s[int(np.argmax(around @ weight[:-1]))])
    near = np.abs(shifts_s - best_s) < _ZERO_S
    mean_s = float(np.average(shifts_s[near], weights=weight[:-1][near]))
    as_set = float(weight[:-1][np.abs(shifts_s) < _RIGHT_S].sum())
    if abs(mean_s) < _ZERO_S or as_set > 1.0 - _SURE or float(weight[:-1][near].sum()) < _SURE:
        return ClockFit(right=right, offset_ns=None)
    return ClockFit(right=right, offset_ns=round(mean_s * SECOND_NS))


def _candidates(story: Story) -> Float64Array:
    """(N,) shifts worth a close look, and none; multiples of `_CELL_S`, ascending.

    Of all that bring a press to a loss or a return, rounded to a second, the likeliest with what lies beside them.
    """
    back_s = np.array([one.back_s for one in story.away])
    happened_s = np.concatenate((story.lost_s, back_s[np.isfinite(back_s)]))
    coarse, count = np.unique(
        np.round(story.pressed_s[:, None] - happened_s[None, :]).ravel().astype(np.int64), return_counts=True
    )
    coarse = coarse[np.argsort(-count, kind="stable")[:_MOST_SHIFTS]]
    log_w = log_likelihood(story, coarse.astype(np.float64), closely=False) + _log_prior(coarse.astype(np.float64))
    best = coarse[np.argsort(-log_w, kind="stable")[:_MOST_CLOSE]]
    per_s, around = round(1.0 / _CELL_S), round(_ZERO_S / _CELL_S)
    cells = (per_s * np.append(best, 0))[:, None] + np.arange(-around, around + 1)[None, :]
    shifts_s: Float64Array = (np.unique(cells) * _CELL_S).astype(np.float64)
    return shifts_s


def _log_prior(shifts_s: Float64Array) -> Float64Array:
    """Of each cell of shifts."""
    off_s = np.abs(shifts_s)
    cells_of_right = 2 * int(_RIGHT_S / _CELL_S) + 1
    any_s = _WRONG * _CELL_S / (2.0 * np.log(_DAY_S) * np.maximum(off_s, 1.0))
    to_zone_s = np.abs(off_s - np.round(off_s / _HALF_HOUR_S) * _HALF_HOUR_S)
    at_zone = (off_s > _HALF_HOUR_S / 2) & (off_s < _DAY_S) & (to_zone_s < _NEAR_ZONE_S)
    zones = _ZONE * _CELL_S / (2.0 * _NEAR_ZONE_S) / (2.0 * _DAY_S / _HALF_HOUR_S)
    prior = np.where(off_s < _RIGHT_S, (1.0 - _WRONG) / cells_of_right, any_s + at_zone * zones)
    log_prior: Float64Array = np.log(prior)
    return log_prior
