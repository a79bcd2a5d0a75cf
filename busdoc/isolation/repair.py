"""After a repair: whether the part that was replaced was the one, and how long to watch before calling it cured.

Takes the findings; what else to test while the part is still in doubt is `busdoc.isolation.next_test`.
"""

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.isolation.findings import Findings
from busdoc.isolation.next_test import CONFIDENCE
from busdoc.isolation.odds import odds
from busdoc.isolation.rates import dwell_s
from busdoc.isolation.verdict import NextTest

__all__ = ["tests_after_repair"]

_SURE = 0.95
"""From here on a part that was replaced is taken for the one that was at fault."""
_SUSPECTED = 0.2
"""Another part as likely as this, and not replaced, keeps the search open."""
_NS = 1e9


def tests_after_repair(findings: Findings) -> tuple[NextTest, ...] | None:
    """Give what is left to do once every suspect was replaced; None while the search goes on.

    Returns
    -------
    Nothing when it was quiet for as long as the old part would have needed to show (common practice: 95 %), else one
    test: to watch for the rest of that time.
    """
    repaired_s = _repaired_s(findings)
    if repaired_s is None:
        return None
    left_s = 0.0
    for part, at_s in repaired_s.items():
        needed_s = dwell_s(CONFIDENCE, findings.posterior.rate[findings.reach.parts.index(part)])
        left_s = max(left_s, needed_s - (findings.span_s - at_s))
    if left_s <= 0.0:
        return ()
    if not np.isfinite(left_s):
        return None
    names = " and ".join(repaired_s)
    return (
        NextTest(
            steps=(),
            watch_ns=round(left_s * _NS),
            gain_bits=0.0,
            effort_s=left_s,
            tells=f"Quiet: replacing {names} cured it ({odds(CONFIDENCE)}). Trouble: it was not that alone; look on.",
        ),
    )


def _repaired_s(findings: Findings) -> dict[str, float] | None:
    """When each culprit was replaced, in seconds from the start; None unless all were, with no trouble since."""
    posterior, parts = findings.posterior, findings.reach.parts
    suspected = [p for p in range(len(parts)) if posterior.marginal[p] >= _SUSPECTED]
    if not suspected or any(posterior.marginal[p] < _SURE for p in suspected) or posterior.elsewhere >= _SUSPECTED:
        return None
    found: dict[str, float] = {}
    for p in suspected:
        at_s = [
            (action.time_ns - findings.start_ns) / _NS
            for action in findings.actions
            if action.kind is ActionKind.REPLACE and action.part == parts[p]
        ]
        if not at_s:
            return None
        found[parts[p]] = at_s[-1]
    last_trouble_s = max((float(findings.losses.t_s[row]) for row in findings.unexplained), default=-np.inf)
    return found if last_trouble_s < min(found.values()) + 1.0 else None
