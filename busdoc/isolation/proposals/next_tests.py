"""The test that tells most for its effort, how long to watch, and what either outcome would mean.

Takes the findings and the candidates; weighs the information to be expected (de Kleer & Williams 1987) against the
seconds that it costs. Half-splitting falls out where the suspicion is even, one branch at a time where one stands out.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.actions.action import POWER_KINDS, REMARKS
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.proposals.candidates import Candidate, list_candidates
from busdoc.isolation.proposals.gain import two_way_gain_bit
from busdoc.isolation.suspects.dwell import dwell_s
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.press_timing import WIGGLE_SHOWS
from busdoc.isolation.suspects.rates import BACKGROUND_HZ, RATE_PRIOR, RATES_HZ
from busdoc.isolation.verdict import NextTest, Step
from busdoc.times import SECOND_NS
from busdoc.words.duration import span
from busdoc.words.probability import odds

__all__ = ["CONFIDENCE", "propose_tests", "watch_for_s"]

CONFIDENCE = 0.95
"""A branch is called clear when it would have shown with this probability (common practice)."""
_WATCHES_S: Float64Array = np.array([2, 3, 5, 8, 12, 18, 30, 45, 70, 120, 200, 350, 600, 1200, 2400, 3600.0])
"""How long to watch, of which the best is proposed: from two seconds to an hour, each half as long again as the last,
or twice as long (bound on work)."""
_REVIVE_S = 15.0
"""What a shown trouble costs: waiting for the controller, or cycling its power (common practice)."""
_SHORTEST_WATCH_S = 12.0
"""Of a test without any step: nobody is told to watch for two seconds more, and again. Also what it takes to see that
a controller did not start (common practice: one to ten seconds)."""
_SETTLED_BIT = 0.02
"""A test that tells less is not proposed: a fiftieth of a bit is nothing to learn, by definition."""
_MOST = 5
"""Tests that are proposed at once (bound on work: the reader's)."""
_HARDLY = 1e-3
"""An outcome less likely than this is not interpreted (bound on work: the reader's)."""
_RATHER = 0.5
"""From one half on it is rather so, by definition."""
_OPEN = 0.2
"""As much suspicion on parts beside those that are settled keeps their question open: one in five is no longer
'unlikely', by definition of our words."""
_MOST_SETS = 400
"""Sets of faulty parts that outcomes are worked out for, the heaviest first (bound on work)."""
_STARTS_AFTER_ALL = 0.05
"""That a controller which did not start with the power does so the next time, though nothing was changed (common
practice: it happens)."""
_POWER_OFF_FIRST = "Power off, and stored energy released, before hands go in; the maker's manual comes first."
"""Common practice."""


def propose_tests(findings: Findings, down: Sequence[str] = ()) -> tuple[NextTest, ...]:
    """Propose what to do next, best first; nothing when nothing is left to tell apart.

    Parameters
    ----------
    findings : of the record so far
    down : controllers that are off the bus now
    """
    candidates = list_candidates(findings, down)
    if not candidates:
        return ()
    sets, weights = _heaviest_sets(findings)
    rate = _rates_given(findings)
    quiet = np.exp(-RATES_HZ[:, None] * _WATCHES_S[None, :])  # (R, T)
    fresh = rate @ quiet  # (P, T) of a part that is plugged in now
    trust = findings.evidence.trust
    stale = (rate * trust) @ quiet + (rate * (1.0 - trust)).sum(axis=1, keepdims=True)  # of one that was in all along
    believed = (rate * trust).sum(axis=1)  # (P,)
    off_the_map = np.log(np.maximum(findings.posterior.rate_off @ quiet, 1e-12))[None, :]
    nobody, by_itself = np.all(sets < 0, axis=1), _background_quiet(findings)
    exposed_now = np.any(findings.reach.reaches[-1], axis=1)
    keeps_down = _keeps_down(findings, down)
    if keeps_down is not None:  # whoever it was, it would do so again
        off_the_map = np.minimum(off_the_map, np.log(_STARTS_AFTER_ALL))
        by_itself = np.minimum(by_itself, np.log(_STARTS_AFTER_ALL))
    worth: list[tuple[float, int, int, float, float, Float64Array]] = []
    for n, candidate in enumerate(candidates):
        stays = np.where((exposed_now & ~_moved(findings, candidate))[:, None], stale, fresh)
        log_stays = np.where(candidate.exposed[:, None], np.log(np.maximum(stays, 1e-12)), 0.0)
        if keeps_down is not None:
            same = keeps_down & candidate.exposed & ~_moved(findings, candidate)
            log_stays = np.where(same[:, None], np.minimum(log_stays, np.log(_STARTS_AFTER_ALL)), log_stays)
        log_stays = log_stays + np.where(candidate.shaken, np.log(1.0 - WIGGLE_SHOWS * believed), 0.0)[:, None]
        padded = np.concatenate((log_stays, off_the_map, np.zeros((1, log_stays.shape[1]))))
        log_quiet = padded[sets].sum(axis=1) + np.where(nobody[:, None], by_itself, 0.0)
        trouble = 1.0 - np.exp(log_quiet)  # (S, T)
        gain = two_way_gain_bit(weights, trouble.T)  # (T,)
        p_trouble = weights @ trouble
        cost_s = candidate.effort_s + _expected_wait_s(p_trouble) + p_trouble * _REVIVE_S
        rate_of_gain = gain / cost_s
        if not candidate.steps or keeps_down is not None:
            rate_of_gain = np.where(_WATCHES_S < _SHORTEST_WATCH_S, 0.0, rate_of_gain)
        best = int(np.argmax(rate_of_gain))
        if gain[best] >= _SETTLED_BIT:
            worth.append((float(gain[best] / cost_s[best]), n, best, float(gain[best]), float(cost_s[best]), trouble))
    worth.sort(key=lambda one: (-one[0], one[1]))
    return tuple(
        _describe(findings, candidates[n], best, gain_bits, effort_s, sets, weights, shows)
        for _, n, best, gain_bits, effort_s, shows in worth[:_MOST]
    )


def _keeps_down(findings: Findings, down: Sequence[str]) -> BoolArray | None:
    """(P,) the parts that were joined to a controller when it last failed to start, and still are.

    None unless it is still down, and nothing has been plugged, unplugged or switched since: then another start with
    the same plugs says nothing new.
    """
    reach, starts = findings.reach, findings.evidence.starts
    for e, m in reversed(list(enumerate(starts.action))):
        if m is None or any(action.kind not in REMARKS for action in findings.actions[m + 1 :]):
            continue
        still = [c for c, name in enumerate(reach.controllers) if starts.hit[e, c] and name in down]
        if still:
            return np.asarray(starts.exposed[:, e] & np.any(reach.reaches[-1][:, still], axis=1))
    return None


def _moved(findings: Findings, candidate: Candidate) -> BoolArray:
    """(P,) the parts whose own plug a candidate moves: what was written of them before no longer counts."""
    named = {name for step in candidate.steps for name in (step.part, step.into) if name is not None}
    return np.array([part in named for part in findings.reach.parts])


def watch_for_s(findings: Findings, exposed: BoolArray, confidence: float = CONFIDENCE) -> float:
    """Give how long the exposed parts must stay quiet until they would have shown.

    The rate is that of the trouble seen so far, were one of them what made it.
    """
    mass = np.where(exposed, findings.posterior.marginal, 0.0)
    if mass.sum() <= 0.0:
        return 0.0
    return dwell_s(confidence, (mass / mass.sum()) @ findings.posterior.rate)


def _heaviest_sets(findings: Findings) -> tuple[Int64Array, Float64Array]:
    posterior = findings.posterior
    heavy = np.argsort(-posterior.weight, kind="stable")[:_MOST_SETS]
    weights = posterior.weight[heavy]
    return posterior.sets[heavy], np.asarray(weights / weights.sum(), np.float64)


def _rates_given(findings: Findings) -> Float64Array:
    """(P, R) the rate at which each part would show, were it faulty: by what it showed, else by its quiet alone."""
    silent = findings.evidence.survival * RATE_PRIOR
    silent = silent / np.maximum(silent.sum(axis=1, keepdims=True), 1e-300)
    made = np.minimum(findings.posterior.shows.sum(axis=0), 1.0) if len(findings.unexplained) else 0.0
    share = np.clip(made / np.maximum(findings.posterior.marginal, 1e-9), 0.0, 1.0)
    mixed: Float64Array = share[:, None] * findings.posterior.rate + (1.0 - share[:, None]) * silent
    return mixed


def _background_quiet(findings: Findings) -> Float64Array:
    """(T,) logarithm of the probability of no trouble, were no part at fault: restarts of their own go on."""
    n_controllers = len(findings.reach.controllers) if findings.losses.showing is None else 1
    stays = findings.posterior.background @ np.exp(-np.outer(BACKGROUND_HZ * n_controllers, _WATCHES_S))
    log_stays: Float64Array = np.log(np.maximum(stays, 1e-12))
    return log_stays


def _expected_wait_s(p_trouble: Float64Array) -> Float64Array:
    """(T,) how long one really watches: until the trouble, at most so long."""
    step_s = np.diff(_WATCHES_S, prepend=0.0)
    still = 1.0 - 0.5 * (p_trouble + np.concatenate(([0.0], p_trouble[:-1])))
    waits: Float64Array = np.cumsum(step_s * still)
    return waits


def _describe(
    findings: Findings,
    candidate: Candidate,
    best: int,
    gain: float,
    cost_s: float,
    sets: Int64Array,
    weights: Float64Array,
    trouble: Float64Array,
) -> NextTest:
    watch_s = float(_WATCHES_S[best])
    clear_s = watch_for_s(findings, candidate.exposed)
    p = trouble[:, best]
    if_trouble, if_quiet = weights * p, weights * (1.0 - p)
    shown = _meaning(findings, sets, if_trouble, candidate.exposed)
    tells = f"Trouble within {span(watch_s)}: {shown}. Quiet: {_meaning(findings, sets, if_quiet)}"
    if clear_s > 0.0 and not candidate.shaken.any():
        tells += f"; {span(clear_s)} of quiet clears what is plugged in ({odds(CONFIDENCE)})"
    cautions = findings.machine.cautions if candidate.powers_down or _touches(candidate.steps) else ()
    if candidate.powers_down:
        cautions = (*cautions, _POWER_OFF_FIRST)
    return NextTest(
        steps=candidate.steps,
        watch_ns=round(watch_s * SECOND_NS),
        gain_bits=gain,
        effort_s=cost_s,
        tells=f"{tells}.",
        cautions=cautions,
        clear_ns=None if np.isinf(clear_s) else round(clear_s * SECOND_NS),
    )


def _touches(steps: Sequence[Step]) -> bool:
    return any(step.action not in (*POWER_KINDS, *REMARKS) for step in steps)


def _meaning(findings: Findings, sets: Int64Array, weights: Float64Array, among: BoolArray | None = None) -> str:
    """Say in words whom an outcome would point at, of some of the parts or of all.

    Parameters
    ----------
    sets : (S, 3) sets of faulty parts
    weights : (S,) probability that the set is at fault and the outcome comes
    """
    total = float(weights.sum())
    if total < _HARDLY:
        return "hardly to be expected"
    parts = findings.reach.parts
    mass = np.zeros(len(parts) + 2)  # the parts, what is off the map, and nobody
    for column in range(sets.shape[1]):
        np.add.at(mass, sets[:, column], np.where(sets[:, column] >= 0, weights, 0.0))
    nothing = (float(weights[np.all(sets < 0, axis=1)].sum()) + mass[len(parts)]) / total
    mass = mass[: len(parts)] / total
    mass = mass if among is None else np.where(among, mass, 0.0)
    settled = findings.posterior.marginal >= CONFIDENCE
    if mass[~settled].sum() > _OPEN:  # what is known already is no news
        mass = np.where(settled, 0.0, mass)
    order = [int(p) for p in np.argsort(-mass, kind="stable")]
    if nothing > mass[order[0]]:
        return f"something off the map ({odds(nothing)})"
    named = [p for p in order if mass[p] >= 0.5 * mass[order[0]]][:4]
    likely = float(min(mass[named].sum(), 1.0))
    text = " or ".join(parts[p] for p in named)
    return f"it is {text} ({odds(likely)})" if likely >= _RATHER else f"most likely {text} ({odds(likely)})"
