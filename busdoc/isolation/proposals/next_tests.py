"""The test that tells most for its effort, how long to watch, and what either outcome would mean.

Takes the findings and the candidates; weighs the information to be expected (de Kleer & Williams 1987) against the
seconds that it costs. Half-splitting falls out where the suspicion is even, one branch at a time where one stands out.
"""

from collections.abc import Collection, Sequence

import numpy as np

from busdoc.actions.action import POWER_KINDS, REMARKS
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.proposals.candidates import Candidate, list_candidates
from busdoc.isolation.proposals.gain import two_way_gain_bit
from busdoc.isolation.proposals.outlook import Outlook
from busdoc.isolation.proposals.proof import POWER_OFF_FIRST
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.verdict import NAMED_FROM, SUSPECTED_FROM, NextTest, Quiet, Step
from busdoc.times import SECOND_NS
from busdoc.words.probability import odds

__all__ = ["UNSEEN_WATCH_S", "propose_tests"]

UNSEEN_WATCH_S = 30.0
"""How long to watch where nothing has shown yet (common practice)."""
_REVIVE_S = 15.0
"""What a shown trouble costs: waiting for the controller, or cycling its power (common practice)."""
_WAITS = 16
"""Steps in which the wait until the trouble is summed (bound on work)."""
_SETTLED_BIT = 0.02
"""A test that tells less is not proposed: a fiftieth of a bit is nothing to learn, by definition."""
_MOST = 5
"""Tests that are proposed at once (bound on work: the reader's)."""
_HARDLY = 1e-3
"""An outcome less likely than this is not interpreted (bound on work: the reader's)."""
_RATHER = 0.5
"""From one half on it is rather so, by definition."""
_MOST_SETS = 400
"""Sets of faulty parts that outcomes are worked out for, the heaviest first (bound on work)."""


def propose_tests(
    findings: Findings,
    down: Sequence[str] = (),
    quiet: Quiet | None = None,
    cleared: Collection[str] = (),
) -> tuple[NextTest, ...]:
    """Propose what to do next, best first; nothing when nothing is left to tell apart.

    Parameters
    ----------
    findings : of the record so far
    down : controllers that are off the bus now
    quiet : how long to watch for this fault; None: nothing showed yet
    cleared : parts that the verdict calls clear, or whose repair is proved; no outcome points at them
    """
    candidates = list_candidates(findings, down)
    if not candidates:
        return ()
    watch_s = UNSEEN_WATCH_S if quiet is None else quiet.needed_ns / SECOND_NS
    watches_s = np.linspace(watch_s / _WAITS, watch_s, _WAITS)  # (T,)
    sets, weights = _heaviest_sets(findings)
    outlook = Outlook(findings, sets, watches_s, down)
    worth: list[tuple[float, int, float, float, Float64Array]] = []
    for n, candidate in enumerate(candidates):
        trouble = outlook.trouble(candidate)  # (S, T)
        gain = float(two_way_gain_bit(weights, trouble[:, -1]))
        p_trouble = weights @ trouble
        cost_s = candidate.effort_s + _expected_wait_s(p_trouble, watches_s) + float(p_trouble[-1]) * _REVIVE_S
        if gain >= _SETTLED_BIT:
            worth.append((gain / cost_s, n, gain, cost_s, trouble[:, -1]))
    worth.sort(key=lambda one: (-one[0], one[1]))
    settled = findings.posterior.marginal >= NAMED_FROM
    blameless = settled | np.array([part in cleared for part in findings.reach.parts])
    return tuple(
        _describe(findings, candidates[n], watch_s, gain_bits, effort_s, sets, weights, shows, blameless)
        for _, n, gain_bits, effort_s, shows in worth[:_MOST]
    )


def _heaviest_sets(findings: Findings) -> tuple[Int64Array, Float64Array]:
    posterior = findings.posterior
    heavy = np.argsort(-posterior.weight, kind="stable")[:_MOST_SETS]
    weights = posterior.weight[heavy]
    return posterior.sets[heavy], np.asarray(weights / weights.sum(), np.float64)


def _expected_wait_s(p_trouble: Float64Array, watches_s: Float64Array) -> float:
    """Give how long one really watches: until the trouble, at most to the end.

    Parameters
    ----------
    p_trouble : (T,) probability of trouble until each of the times
    watches_s : (T,) ascending
    """
    still = 1.0 - 0.5 * (p_trouble + np.concatenate(([0.0], p_trouble[:-1])))
    return float((np.diff(watches_s, prepend=0.0) * still).sum())


def _describe(
    findings: Findings,
    candidate: Candidate,
    watch_s: float,
    gain: float,
    cost_s: float,
    sets: Int64Array,
    weights: Float64Array,
    trouble: Float64Array,
    blameless: BoolArray,
) -> NextTest:
    if_trouble, if_quiet = weights * trouble, weights * (1.0 - trouble)
    named, shown = _meaning(findings, sets, if_trouble, candidate.exposed & ~blameless)
    named_by_quiet, stays = _meaning(findings, sets, if_quiet, ~blameless)
    if named and named == named_by_quiet:
        stays = f"less surely so ({odds(_share_of(findings, sets, if_quiet, named))})"
    cautions = findings.machine.cautions if candidate.powers_down or _touches(candidate.steps) else ()
    if candidate.powers_down:
        cautions = (*cautions, POWER_OFF_FIRST)
    watch_ns = round(watch_s * SECOND_NS)
    return NextTest(
        steps=candidate.steps,
        watch_ns=watch_ns,
        gain_bits=gain,
        effort_s=cost_s,
        tells=f"Trouble: {shown}. Quiet: {stays}.",
        cautions=cautions,
        clear_ns=watch_ns,
    )


def _touches(steps: Sequence[Step]) -> bool:
    return any(step.action not in (*POWER_KINDS, *REMARKS) for step in steps)


def _mass_of(findings: Findings, sets: Int64Array, weights: Float64Array) -> tuple[Float64Array, float]:
    """(P,) how likely each part is, given an outcome, and how likely nothing on the map."""
    n_parts = len(findings.reach.parts)
    mass = np.zeros(n_parts + 2)  # the parts, what is off the map, and nobody
    for column in range(sets.shape[1]):
        np.add.at(mass, sets[:, column], np.where(sets[:, column] >= 0, weights, 0.0))
    total = max(float(weights.sum()), 1e-300)
    nothing = (float(weights[np.all(sets < 0, axis=1)].sum()) + float(mass[n_parts])) / total
    return mass[:n_parts] / total, nothing


def _share_of(findings: Findings, sets: Int64Array, weights: Float64Array, named: Sequence[str]) -> float:
    mass, _ = _mass_of(findings, sets, weights)
    return float(min(sum(mass[findings.reach.parts.index(part)] for part in named), 1.0))


def _meaning(
    findings: Findings, sets: Int64Array, weights: Float64Array, among: BoolArray
) -> tuple[tuple[str, ...], str]:
    """Say in words whom an outcome would point at, of some of the parts.

    Parameters
    ----------
    sets : (S, 3) sets of faulty parts
    weights : (S,) probability that the set is at fault and the outcome comes
    among : (P,) the parts that may be pointed at

    Returns
    -------
    (names, words)
    """
    if float(weights.sum()) < _HARDLY:
        return (), "hardly to be expected"
    parts = findings.reach.parts
    mass, nothing = _mass_of(findings, sets, weights)
    mass = np.where(among, mass, 0.0)
    settled = findings.posterior.marginal >= NAMED_FROM
    if mass[~settled].sum() > SUSPECTED_FROM:  # what is known already is no news
        mass = np.where(settled, 0.0, mass)
    order = [int(p) for p in np.argsort(-mass, kind="stable")]
    if nothing >= mass[order[0]]:
        return (), f"something off the map ({odds(nothing)})"
    named = [p for p in order if mass[p] >= 0.5 * mass[order[0]]][:4]
    likely = float(min(mass[named].sum(), 1.0))
    text = " or ".join(parts[p] for p in named)
    names = tuple(parts[p] for p in named)
    return names, f"it is {text} ({odds(likely)})" if likely >= _RATHER else f"most likely {text} ({odds(likely)})"
