"""Values that drift, turn, step or spike, and dropouts in bursts, on duty or by the clock: no false finding."""

import numpy as np
import pytest

from tests.truth.covariate_records import HABITS, draw_dropouts, draw_values, search

SECONDS = 3600


@pytest.mark.parametrize("seed", range(2))
def test_nothing_is_found_where_dropouts_have_nothing_to_do_with_the_values(seed: int) -> None:
    random = np.random.default_rng([seed, 811])
    values = draw_values(random, 30, SECONDS)
    sets_s = [draw_dropouts(random, habit, 25, SECONDS) for habit in HABITS]
    for habit, found in zip(HABITS, search(values, sets_s, random), strict=True):
        assert len(found) == 30
        assert [one.words for one in found if one.found] == [], habit


@pytest.mark.parametrize("seed", range(2))
def test_the_one_value_that_does_is_found_among_thirty(seed: int) -> None:
    random = np.random.default_rng([seed, 812])
    values = draw_values(random, 30, SECONDS)
    at_s = draw_dropouts(random, "bursts", 25, SECONDS)
    for t in at_s:
        values[17, round((t - 1.2) / 0.4) : round(t / 0.4) + 1] -= 9.0
    found = search(values, [at_s], random)[0]
    assert (found[0].name, found[0].found) == ("Signal17", True)
    assert not any(one.found for one in found[1:])
