"""Trials: stretches of constant exposure in which the controller was healthy at the start, and how they ended.

Takes the findings; gives what a technician would write into a table, one line a trial.
"""

from itertools import pairwise

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.prior import kind_of
from busdoc.isolation.verdict import Outcome, Trial
from busdoc.machine.machine import PartKind
from busdoc.times import SECOND_NS

__all__ = ["cut_trials", "likely_times_s"]

_SHORTEST_S = 0.5
"""A quiet stretch shorter than this is the moment between two moves of the hand (common practice)."""


def likely_times_s(findings: Findings) -> Float64Array:
    """(n,) when each action was most likely done, s from the start, ascending: a press is half a second late."""
    done_s = [
        (a.time_ns - findings.start_ns) / SECOND_NS - findings.offset_s - 0.5 * a.uncertainty_ns / SECOND_NS
        for a in findings.actions
    ]
    ordered: Float64Array = np.maximum.accumulate(np.array(done_s))
    return ordered


def cut_trials(findings: Findings) -> tuple[Trial, ...]:
    """Cut the record into trials, ascending by start, for every controller that has branches or had trouble."""
    trials: list[Trial] = []
    for c in _of_interest(findings):
        trials += _of_controller(findings, int(c))
    return tuple(sorted(trials, key=lambda t: (t.from_ns, t.controller)))


def _of_interest(findings: Findings) -> list[int]:
    reach, losses = findings.reach, findings.losses
    troubled = losses.hit[list(findings.unexplained)].any(axis=0)
    branches = _branch_parts(findings)
    return [int(c) for c in np.flatnonzero(troubled | reach.moved[branches].any(axis=0))]


def _branch_parts(findings: Findings) -> BoolArray:
    units = set(findings.reach.controllers)
    kinds = [None if part in units else kind_of(findings.machine, part) for part in findings.reach.parts]
    return np.array(
        [part not in units and k not in (PartKind.FEED, PartKind.SEGMENT)
         for part, k in zip(findings.reach.parts, kinds, strict=True)]
    )  # fmt: skip


def _of_controller(findings: Findings, c: int) -> list[Trial]:
    reach, losses, span_s = findings.reach, findings.losses, findings.span_s
    fell_s = {float(losses.t_s[row]): k for k, row in enumerate(findings.unexplained) if losses.hit[row, c]}
    changes = _changes_s(findings, c, fell_s)
    branches = _branch_parts(findings)
    others = np.array([part not in reach.controllers for part in reach.parts])
    shown = branches if reach.ever[branches, c].any() else others
    trials: list[Trial] = []
    # A loss of several has one moment, and each of them is away from about then on.
    gone_s = np.array([from_s for from_s, _ in losses.away[c]])
    fatal_s = {float(gone_s[np.abs(gone_s - (t - _unseen_s(findings, k))).argmin()]) for t, k in fell_s.items()}
    for up_s, down_s in _stints(losses.away[c], span_s):
        cuts = [up_s, *[t for t, _ in changes if up_s < t < down_s], down_s]
        for from_s, to_s in pairwise(cuts):
            trouble = to_s == down_s and down_s in fatal_s
            if not trouble and to_s - from_s < _SHORTEST_S:
                continue
            stretch = max((m for t, m in changes if t <= from_s), default=0)
            exposed = np.flatnonzero(reach.reaches[stretch, :, c] & shown)
            trials.append(
                Trial(
                    from_ns=findings.start_ns + round(from_s * SECOND_NS),
                    to_ns=findings.start_ns + round(to_s * SECOND_NS),
                    controller=reach.controllers[c],
                    exposed=tuple(reach.parts[p] for p in exposed),
                    outcome=Outcome.TROUBLE if trouble else Outcome.QUIET,
                    shown_after_ns=round((to_s - from_s) * SECOND_NS) if trouble else None,
                )
            )
    return trials


def _unseen_s(findings: Findings, k: int) -> float:
    """How long before the time of an incident nobody had looked: a symptom counts as showing from the last look on."""
    showing = findings.losses.showing
    return 0.0 if showing is None else max(float(showing.window_s[findings.unexplained[k]]) - showing.latency_s, 0.0)


def _changes_s(findings: Findings, c: int, fell_s: dict[float, int]) -> list[tuple[float, int]]:
    """(s, stretch that begins) for the actions that change what reaches the controller.

    A plug that was written down just after the trouble that it made is moved before it.
    """
    reach = findings.reach
    changes: list[tuple[float, int]] = []
    likely_s = likely_times_s(findings)
    for m in np.unique(reach.changes.at(c).action).tolist():
        at_s = likely_s[m]
        before, after = reach.reaches[m, :, c], reach.reaches[m + 1, :, c]
        sigma_s = findings.actions[m].uncertainty_ns / SECOND_NS
        made = [
            t for t, k in fell_s.items()
            if t <= at_s < t + 3.0 * sigma_s and findings.posterior.shows[k] @ (after & ~before) > 0.5
        ]  # fmt: skip
        changes.append((min([float(at_s), *[t - 0.2 for t in made]]), m + 1))
    return changes


def _stints(away: tuple[tuple[float, float], ...], span_s: float) -> list[tuple[float, float]]:
    """When a controller was on the bus."""
    stints: list[tuple[float, float]] = []
    from_s = 0.0
    for gone_s, back_s in away:
        if gone_s > from_s:
            stints.append((from_s, min(gone_s, span_s)))
        from_s = back_s
    if from_s < span_s:
        stints.append((from_s, span_s))
    return stints
