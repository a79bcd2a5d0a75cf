"""What would come next: how likely each set of faulty parts stays quiet, with the plugs as a test leaves them.

Takes the findings and the candidate tests; gives probabilities of trouble. What they are worth is
`busdoc.isolation.proposals.next_tests`'s to weigh.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.actions.action import REMARKS
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.proposals.candidates import Candidate
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.press_timing import WIGGLE_SHOWS
from busdoc.isolation.suspects.rates import BACKGROUND_BESIDE, BACKGROUND_HZ, RATE_PRIOR, RATES_HZ
from busdoc.isolation.verdict import NAMED_FROM

__all__ = ["Outlook"]

_STARTS_AFTER_ALL = 0.05
"""That a controller which did not start with the power does so the next time, though nothing was changed (common
practice: it happens)."""
_LEAST = 1e-12
"""No outcome is less likely than this: the map may be wrong (bound on work)."""


class Outlook:
    """What each of some sets of faulty parts would do next.

    Parameters
    ----------
    findings : of the record so far
    sets : (S, 3) rows of part indices; P for a cause off the map, -1 for none
    watches_s : (T,) for how long it is watched, s
    down : controllers that are off the bus now
    """

    def __init__(self, findings: Findings, sets: Int64Array, watches_s: Float64Array, down: Sequence[str] = ()) -> None:
        self._findings, self._sets = findings, sets
        posterior, evidence = findings.posterior, findings.evidence
        stays_quiet = np.exp(-RATES_HZ[:, None] * watches_s[None, :])  # (R, T)
        silent = evidence.survival * RATE_PRIOR
        silent = silent / np.maximum(silent.sum(axis=1, keepdims=True), 1e-300)
        # At the rate at which a part made what came, and at the one that it may have if it made nothing yet.
        self._by_rate = [_Stays(rate, evidence.trust, stays_quiet) for rate in (posterior.rate, silent)]
        self._made = _made(findings, sets)
        self._off_the_map = np.maximum(posterior.rate_off @ stays_quiet, _LEAST)  # (T,)
        self._by_itself = _background_quiet(findings, watches_s)
        self._nobody = np.all(sets < 0, axis=1)
        self._exposed_now = np.any(findings.reach.reaches[-1], axis=1)
        self._settled = posterior.marginal >= NAMED_FROM  # what it does is known, and repaired first
        self._keeps_down = _keeps_down(findings, down)
        if self._keeps_down is not None:  # whoever it was, it would do so again
            self._off_the_map = np.minimum(self._off_the_map, _STARTS_AFTER_ALL)
            self._by_itself = np.minimum(self._by_itself, _STARTS_AFTER_ALL)

    def trouble(self, candidate: Candidate) -> Float64Array:
        """Give the probability of trouble until each time, were each set at fault and the test done, (S, T)."""
        moved = _moved(self._findings, candidate)
        showing, silent = (self._padded(one, candidate, moved) for one in self._by_rate)
        quiet = np.ones((len(self._sets), showing.shape[1]))
        for column in range(self._sets.shape[1]):
            member, made = self._sets[:, column], self._made[:, column, None]
            quiet *= made * showing[member] + (1.0 - made) * silent[member]
        quiet = np.where(self._nobody[:, None], quiet * self._by_itself, quiet)
        return np.asarray(1.0 - quiet, np.float64)

    def _padded(self, stays: "_Stays", candidate: Candidate, moved: BoolArray) -> Float64Array:
        """(P + 2, T) how likely each part keeps quiet after a test; then what is off the map, and nobody."""
        quiet = np.where((self._exposed_now & ~moved)[:, None], stays.stale, stays.fresh)
        quiet = np.where(candidate.exposed[:, None], np.maximum(quiet, _LEAST), 1.0)
        if self._keeps_down is not None:
            same = self._keeps_down & candidate.exposed & ~moved
            quiet = np.where(same[:, None], np.minimum(quiet, _STARTS_AFTER_ALL), quiet)
        quiet = quiet * np.where(candidate.shaken, 1.0 - WIGGLE_SHOWS * stays.believed, 1.0)[:, None]
        quiet = np.where(self._settled[:, None], 1.0, quiet)
        return np.concatenate((quiet, self._off_the_map[None, :], np.ones((1, quiet.shape[1]))))


class _Stays:
    """How likely each part stays quiet if it is faulty and shows at a rate known so far, (P, T)."""

    def __init__(self, rate: Float64Array, trust: Float64Array, stays_quiet: Float64Array) -> None:
        self.fresh = rate @ stays_quiet
        """Of a part that is plugged in now."""
        self.stale = (rate * trust) @ stays_quiet + (rate * (1.0 - trust)).sum(axis=1, keepdims=True)
        """Of one that was in all along."""
        self.believed = (rate * trust).sum(axis=1)
        """(P,)"""


def _made(findings: Findings, sets: Int64Array) -> Float64Array:
    """(S, 3) whether each member of a set made any of what came, were just that set at fault.

    Who is bad alone made all of it; whom the others leave nothing to, nothing: so each set has its own outlook.
    """
    evidence = findings.evidence
    n_incidents = len(findings.unexplained)
    if not n_incidents:
        return np.zeros(sets.shape)
    density = np.einsum("pkr,pr->pk", evidence.hazard[:, :n_incidents], findings.posterior.rate)
    off = evidence.background[:n_incidents] @ BACKGROUND_BESIDE
    if evidence.by_hand is not None:
        off = off + evidence.by_hand[:n_incidents]
    of_member = np.concatenate((density, np.zeros((2, n_incidents))))[sets]  # (S, 3, K)
    share = of_member / np.maximum(of_member.sum(axis=1) + off[None, :], 1e-300)[:, None, :]
    return np.asarray(np.minimum(share.sum(axis=2), 1.0), np.float64)


def _background_quiet(findings: Findings, watches_s: Float64Array) -> Float64Array:
    """(T,) the probability of no trouble, were no part at fault: restarts of their own go on."""
    n_controllers = len(findings.reach.controllers) if findings.losses.showing is None else 1
    stays = findings.posterior.background @ np.exp(-np.outer(BACKGROUND_HZ * n_controllers, watches_s))
    return np.asarray(np.maximum(stays, _LEAST), np.float64)


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
