"""What 'restarted or kept running' says of the supply against the bus wiring."""

import pytest

from busdoc.isolation.attribution import attribute
from busdoc.isolation.session import isolate
from tests.isolation.records import dropout, health, sweeper


def odds_of_trunk_against_fuse(p_restarted: float | None) -> float:
    """Let all behind one fuse, and one trunk, fall once together and come back."""
    seen = health(120.0, dropout(60.0, 66.0, "hopper", "fan", "lift", p_restarted=p_restarted))
    machine = sweeper()
    verdict = isolate(seen, (), machine, attribute(seen, (), machine))
    given = {suspect.part: suspect.probability for suspect in verdict.suspects}
    return given["rear-trunk"] / given["fuse-3"]


@pytest.mark.parametrize("p_restarted", [0.03, 0.97])
def test_a_sign_that_was_read_at_97_per_cent_counts_as_that(p_restarted: float) -> None:
    """Of faults of the supply 95 % restart controllers, of the bus wiring 10 % (common practice): Bayes by hand."""
    trunk = 0.1 * p_restarted + 0.9 * (1.0 - p_restarted)
    fuse = 0.95 * p_restarted + 0.05 * (1.0 - p_restarted)
    told = odds_of_trunk_against_fuse(p_restarted) / odds_of_trunk_against_fuse(None)
    assert told == pytest.approx(trunk / fuse, rel=0.2)
