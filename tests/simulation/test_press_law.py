"""Are presses drawn from the laws that are told: scipy's own distributions, at the same chance, are the reference."""

import math

import numpy as np
import pytest
from scipy import stats

from busdoc.simulation.press_law import HEAVY_LATEST_S, HEAVY_SHAPE, PressLaw, draw_lag_s

MEAN_S, MOST_S = 0.5, 2.0
REFERENCE = {
    PressLaw.EXPONENTIAL: (stats.expon(scale=MEAN_S), MOST_S),
    PressLaw.HALF_NORMAL: (stats.halfnorm(scale=MEAN_S * math.sqrt(math.pi / 2.0)), MOST_S),
    PressLaw.UNIFORM: (stats.uniform(0.0, MOST_S), MOST_S),
    PressLaw.HEAVY_TAIL: (stats.lomax(HEAVY_SHAPE, scale=MEAN_S * (HEAVY_SHAPE - 1.0)), HEAVY_LATEST_S),
    PressLaw.ALWAYS_LATE: (stats.uniform(MOST_S / 2.0, MOST_S / 2.0), MOST_S),
}


@pytest.mark.parametrize("law", REFERENCE)
def test_a_draw_is_the_laws_value_at_the_chance_of_the_exponential_one(law: PressLaw) -> None:
    chance = np.exp(-np.random.default_rng(5).exponential(1.0, 3000))
    curve, cut_s = REFERENCE[law]
    rng = np.random.default_rng(5)
    drawn_s = [draw_lag_s(law, rng, MEAN_S, MOST_S) for _ in chance]
    assert drawn_s == pytest.approx(np.minimum(curve.isf(chance), cut_s), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("law", [PressLaw.EXPONENTIAL, PressLaw.HALF_NORMAL, PressLaw.HEAVY_TAIL])
def test_a_law_of_given_mean_has_it_before_the_cut(law: PressLaw) -> None:
    assert REFERENCE[law][0].mean() == pytest.approx(MEAN_S)


def test_always_early_mirrors_always_late() -> None:
    late, early = (
        draw_lag_s(law, np.random.default_rng(3), MEAN_S, MOST_S)
        for law in (PressLaw.ALWAYS_LATE, PressLaw.ALWAYS_EARLY)
    )
    assert -MOST_S <= early == -late <= -MOST_S / 2.0


@pytest.mark.parametrize("law", PressLaw)
def test_every_law_takes_one_draw_of_the_same_kind(law: PressLaw) -> None:
    here, there = np.random.default_rng(11), np.random.default_rng(11)
    draw_lag_s(law, here, MEAN_S, MOST_S)
    there.exponential(MEAN_S)
    assert here.random() == there.random()


@pytest.mark.parametrize("law", PressLaw)
def test_without_a_mean_every_press_is_on_time(law: PressLaw) -> None:
    assert draw_lag_s(law, np.random.default_rng(1), 0.0, MOST_S) == 0.0
