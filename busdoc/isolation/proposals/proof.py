"""What is left to do once a part is named: replace it, and watch until that is proved.

Takes the findings, the one duration of quiet and what was replaced; gives the tests that prove, and none that tell
parts apart.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.isolation.proposals.candidates import replacement_of
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.rates import CONFIDENCE
from busdoc.isolation.verdict import NAMED_FROM, SUSPECTED_FROM, NextTest, Quiet, Repair
from busdoc.times import SECOND_NS
from busdoc.words.counting import listed
from busdoc.words.duration import round_duration
from busdoc.words.probability import odds

__all__ = ["being_proved", "is_open", "proof_of_parts"]

_RATHER = 0.5
"""A part that was replaced is taken for the one that was at fault from one half on: quiet makes it surer, and trouble
says that it was not (by definition of 'rather')."""
POWER_OFF_FIRST = "Power off, and stored energy released, before hands go in; the maker's manual comes first."
"""Common practice."""


def being_proved(findings: Findings, repairs: Sequence[Repair]) -> tuple[Repair, ...]:
    """Give the repairs that may have cured it: of a likely part, no trouble since.

    None while a part is named that was not replaced. Of two faults the one that was replaced first stays named.
    """
    share = dict(zip(findings.reach.parts, findings.posterior.marginal.tolist(), strict=True))
    standing = tuple(one for one in repairs if one.came_back_ns is None and share.get(one.part, 0.0) >= _RATHER)
    replaced = {one.part for one in repairs}
    others = [part for part, p in share.items() if p >= NAMED_FROM and part not in replaced]
    return () if others else standing


def is_open(findings: Findings, settled: Sequence[str]) -> bool:
    """Say whether there is a second part to look for beside those that are settled."""
    shares = zip(findings.reach.parts, findings.posterior.marginal.tolist(), strict=True)
    others = [p for part, p in shares if part not in settled]
    return max(others, default=0.0) >= SUSPECTED_FROM or sum(others) >= _RATHER


def proof_of_parts(
    findings: Findings, quiet: Quiet | None, repairs: Sequence[Repair], down: Sequence[str] = ()
) -> tuple[tuple[NextTest, ...], bool] | None:
    """Give what proves the part that is named, or was replaced; None while the search goes on.

    Returns
    -------
    (tests, whether there is a second part to look for as well)
    """
    if quiet is None:
        return None
    standing = being_proved(findings, repairs)
    done = {one.part for one in repairs}
    if standing:
        left_ns = quiet.needed_ns - min(one.quiet_ns for one in standing)
        settled = [one.part for one in standing]
        if left_ns > 0:
            return (_watch_on(settled, left_ns),), False
        share = zip(findings.reach.parts, findings.posterior.marginal.tolist(), strict=True)
        return (), any(p >= SUSPECTED_FROM for part, p in share if part not in done)
    # What was replaced and still fails is not replaced again: something else is at fault beside it.
    named = np.flatnonzero(findings.posterior.marginal >= NAMED_FROM).tolist()
    parts = [findings.reach.parts[p] for p in named if findings.reach.parts[p] not in done]
    if not parts:
        return None
    return (_replace(findings, parts, quiet, down),), is_open(findings, (*parts, *done))


def _watch_on(parts: Sequence[str], left_ns: int) -> NextTest:
    return NextTest(
        steps=(),
        watch_ns=left_ns,
        gain_bits=0.0,
        effort_s=left_ns / SECOND_NS,
        tells=f"Quiet: replacing {listed(parts)} cured it ({odds(CONFIDENCE)}). Trouble: it was not that alone.",
        clear_ns=left_ns,
        proof=True,
    )


def _replace(findings: Findings, parts: Sequence[str], quiet: Quiet, down: Sequence[str]) -> NextTest:
    plan = replacement_of(findings, parts, down)
    cautions = (*findings.machine.cautions, *((POWER_OFF_FIRST,) if plan.powers_down else ()))
    return NextTest(
        steps=plan.steps,
        watch_ns=quiet.needed_ns,
        gain_bits=0.0,
        effort_s=plan.effort_s + quiet.needed_ns / SECOND_NS,
        tells=f"Quiet for {round_duration(quiet.needed_ns)} proves the repair ({odds(CONFIDENCE)}). "
        "Trouble: it was not that alone.",
        cautions=cautions,
        clear_ns=quiet.needed_ns,
        proof=True,
    )
