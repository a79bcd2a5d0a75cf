"""A thousand incidents have a verdict: probabilities, the same as with fewer of the same, in bounded time."""

import numpy as np

from busdoc.isolation.suspects.sets.many import MOST_WEIGHED
from tests.truth.hand_records import NS, HandRecord, dropout, sweeper, unplug


def story(n: int) -> HandRecord:
    session = HandRecord(sweeper(), start_ns=0)
    for k in range(n):
        session.saw(dropout(10.0 + 6.0 * k, 13.6 + 6.0 * k, "hopper"))
    session.act(unplug(1, 10.5 + 6.0 * n, "harness-A"))
    return session


def test_of_a_thousand_incidents_as_many_are_weighed_as_time_allows() -> None:
    findings = story(1000).findings(round(6_100.0 * NS))
    assert len(findings.unexplained) <= MOST_WEIGHED
    marginal = findings.posterior.marginal
    assert np.isfinite(marginal).all()
    assert 0.0 <= marginal.min() <= marginal.max() <= 1.0


def test_what_is_left_out_of_a_long_run_changes_nothing() -> None:
    few, many = (story(n).findings(round((10.0 + 6.0 * n + 90.0) * NS)).posterior for n in (MOST_WEIGHED, 200))
    assert np.allclose(few.marginal, many.marginal, atol=0.02)
