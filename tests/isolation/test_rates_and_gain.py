"""How long to wait and what a test tells, against published results and closed forms."""

import itertools
import math

import numpy as np
import pytest
from scipy.special import exp1

from busdoc.arrays import Float64Array
from busdoc.isolation.proposals.gain import entropy_bit, expected_entropy_bit, fewest_tests, gain_bit, two_way_gain_bit
from busdoc.isolation.proposals.gain import one_at_a_time_tests as restoring_tests
from busdoc.isolation.suspects.dwell import dwell_s, known_rate_dwell_s
from busdoc.isolation.suspects.rates import (
    BACKGROUND_ALONE,
    BACKGROUND_BESIDE,
    BACKGROUND_HZ,
    RATE_PRIOR,
    RATES_HZ,
    not_seen,
    quiet_probability,
)


@pytest.mark.parametrize(
    ("per_hour", "dwells_s"),
    [
        (60, (138.2, 179.7, 276.3)),
        (12, (690.8, 898.7, 1381.6)),
        (6, (1381.6, 1797.4, 2763.1)),
        (1, (8289.3, 10784.6, 16578.6)),
    ],
)
def test_the_dwell_of_a_known_rate_is_that_of_a_poisson_process(per_hour: float, dwells_s: tuple[float, ...]) -> None:
    # 1 - exp(-r t) = c, at 90, 95 and 99 %
    found = [known_rate_dwell_s(confidence, per_hour / 3600.0) for confidence in (0.90, 0.95, 0.99)]
    assert found == pytest.approx(dwells_s, abs=0.06)


def test_a_rate_known_on_the_grid_gives_the_same_dwell() -> None:
    """Be it once an hour or at once, and be next to certain or hardly so what is asked for."""
    for rate_hz, weights in zip(RATES_HZ, np.eye(len(RATES_HZ)), strict=True):
        for confidence in (1e-6, 0.3, 0.5, 0.9, 0.95, 0.99, 1.0 - 1e-12):
            expected_s = known_rate_dwell_s(confidence, float(rate_hz))
            assert dwell_s(confidence, weights) == pytest.approx(expected_s, rel=1e-4)


def test_rates_are_quarters_of_a_decade_apart_from_once_an_hour_to_at_once_and_nobody_changes_them() -> None:
    assert pytest.approx(np.logspace(0.125, 4.875, 20) / 3600.0) == RATES_HZ
    with pytest.raises(ValueError, match="read-only"):
        RATES_HZ[0] = 1.0


@pytest.mark.parametrize("quiet_s", [1.0, 10.0, 60.0, 600.0, 3600.0])
def test_an_unknown_rate_stays_quiet_as_the_exponential_integral_says(quiet_s: float) -> None:
    # log-uniform rates between a and b: P(quiet for t) = [E1(a t) - E1(b t)] / ln(b / a)
    low, high = 1.0 / 3600.0, 1e5 / 3600.0
    exact = (exp1(low * quiet_s) - exp1(high * quiet_s)) / math.log(high / low)
    assert float(quiet_probability(quiet_s)) == pytest.approx(exact, abs=0.004)


@pytest.mark.parametrize(("confidence", "expected_s"), [(0.90, 786.0), (0.95, 1754.0), (0.99, 5062.0)])
def test_the_dwell_of_an_unknown_rate_is_that_of_the_exponential_integral(confidence: float, expected_s: float) -> None:
    assert dwell_s(confidence) == pytest.approx(expected_s, rel=0.03)


def test_what_looks_that_err_leave_unseen_is_the_sum_over_when_it_began() -> None:
    """Moment by moment: it began at t, as a Poisson process does, and each look from then on was wrong."""
    quiet_s, n, errs = 30.0, 4, 0.03
    looks_s = np.arange(1, n + 1) * quiet_s / n
    began_s = (np.arange(200_000) + 0.5) * quiet_s / 200_000
    later = (looks_s[None, :] >= began_s[:, None]).sum(axis=1)
    for k in (4, 10, 16):
        rate = float(RATES_HZ[k])
        density = rate * np.exp(-rate * began_s)
        missed = float((density * errs**later).sum() * quiet_s / 200_000)
        found = not_seen(np.array([quiet_s]), np.array([float(n)]), errs)[0, k]
        assert found == pytest.approx(math.exp(-rate * quiet_s) + missed, rel=1e-3)


def test_without_a_look_nothing_was_seen_and_one_that_never_errs_is_as_watching_all_the_time() -> None:
    two = np.array([20.0, 20.0])
    assert not_seen(two, np.array([0.0, 0.0]), 0.03) == pytest.approx(np.ones((2, len(RATES_HZ))))
    assert not_seen(two, np.array([0.0, 3.0]), 0.0) == pytest.approx(np.exp(-20.0 * np.stack([RATES_HZ, RATES_HZ])))
    hard = not_seen(np.array([3600.0]), np.array([2.0]), 0.03)[0, -1]
    assert hard == pytest.approx(0.03**2)  # there all the time: both looks were wrong


def test_quiet_that_was_watched_already_shortens_the_dwell_and_enough_ends_it() -> None:
    weights = np.zeros(len(RATES_HZ))
    weights[9] = 1.0
    rate = float(RATES_HZ[9])
    assert dwell_s(0.95, weights, so_far=math.exp(-rate * 10.0)) == pytest.approx(3.0 / rate - 10.0, rel=0.01)
    assert dwell_s(0.95, weights, so_far=0.04) == dwell_s(0.95, weights, so_far=1.0 - 0.95) == 0.0


def test_the_fewest_tests_are_the_information_bound_of_group_testing() -> None:
    # D.-Z. Du, F. K. Hwang, Combinatorial Group Testing: ceil(log2 C(n, d))
    cases = {(6, 1): 3, (8, 1): 3, (12, 1): 4, (8, 2): 5, (10, 2): 6, (16, 2): 7, (20, 2): 8, (32, 2): 9, (20, 3): 11}
    assert {case: fewest_tests(*case) for case in cases} == cases


def test_restoring_one_at_a_time_takes_as_many_tests_as_counting_every_place_of_the_fault() -> None:
    for n in (4, 6, 8, 12):
        counted = np.mean([min(place, n - 1) for place in range(1, n + 1)])
        assert restoring_tests(n) == pytest.approx(float(counted))


def _polybox(prior: float) -> tuple[Float64Array, dict[str, Float64Array]]:
    """Candidates of the circuit of de Kleer & Williams (1987), figure 1, after F = 10 and G = 12 were observed.

    Three multipliers X = A C, Y = B D, Z = C E, two adders F = X + Y, G = Y + Z; a faulty component gives any of 16
    values alike, and sums are taken modulo 16.
    """
    values = 16
    names = ("M1", "M2", "M3", "A1", "A2")
    weights: list[float] = []
    outcomes: dict[str, list[Float64Array]] = {"X": [], "Y": [], "Z": []}
    for bad in itertools.product((False, True), repeat=5):
        broken = dict(zip(names, bad, strict=True))
        seen = {name: np.zeros(values) for name in outcomes}
        total = 0.0
        sides = [range(values) if broken[m] else (6,) for m in ("M1", "M2", "M3")]
        for x, y, z in itertools.product(*sides):
            p = 1.0 / (len(sides[0]) * len(sides[1]) * len(sides[2]))
            p *= 1.0 / values if broken["A1"] else float((x + y) % values == 10)
            p *= 1.0 / values if broken["A2"] else float((y + z) % values == 12)
            if p:
                total += p
                for name, value in (("X", x), ("Y", y), ("Z", z)):
                    seen[name][value] += p
        if total:
            n_bad = sum(bad)
            weights.append(total * prior**n_bad * (1.0 - prior) ** (5 - n_bad))
            for name in outcomes:
                outcomes[name].append(seen[name] / total)
    share = np.array(weights) / sum(weights)
    return share, {name: np.array(rows) for name, rows in outcomes.items()}


@pytest.mark.parametrize(
    ("prior", "before", "after"),
    [
        (0.01, 1.0714, {"X": 0.0383, "Y": 1.0635, "Z": 1.0670}),
        (0.1, 1.5054, {"X": 0.3164, "Y": 1.4323, "Z": 1.4566}),
    ],
)
def test_the_best_probe_of_de_kleer_and_williams_is_x(prior: float, before: float, after: dict[str, float]) -> None:
    # Artificial Intelligence 32 (1987) 97-130, the five-component circuit: best next probe X
    weights, outcomes = _polybox(prior)
    assert len(weights) == 27  # of 32 candidates, those consistent with what was observed
    assert entropy_bit(weights) == pytest.approx(before, abs=1e-4)
    found = {name: expected_entropy_bit(weights, rows) for name, rows in outcomes.items()}
    assert found == pytest.approx(after, abs=1e-4)
    assert min(found, key=lambda name: found[name]) == "X"


def test_the_fast_gain_of_two_way_tests_equals_the_drop_of_entropy() -> None:
    rng = np.random.default_rng(5)
    weights = rng.dirichlet(np.ones(7))
    trouble = rng.random((4, 7))
    slow = [gain_bit(weights, np.column_stack((row, 1.0 - row))) for row in trouble]
    assert two_way_gain_bit(weights, trouble) == pytest.approx(slow)


def test_halving_even_suspects_tells_one_bit_and_no_other_split_more() -> None:
    weights = np.full(8, 1 / 8)
    splits = np.array([[float(k < size) for k in range(8)] for size in range(9)])
    gains = two_way_gain_bit(weights, splits)
    assert int(np.argmax(gains)) == 4
    assert gains[4] == pytest.approx(1.0)


def test_rates_are_known_in_quarters_of_a_decade_from_once_an_hour_to_28_times_a_second() -> None:
    """Log-uniform, as of a scale of which nothing is known (H. Jeffreys, Proc. Royal Society A 186 (1946) 453)."""
    edges = np.geomspace(1.0 / 3600.0, 1e5 / 3600.0, 21)
    assert pytest.approx(np.sqrt(edges[1:] * edges[:-1])) == RATES_HZ
    assert pytest.approx(np.full(20, 0.05)) == RATE_PRIOR
    with pytest.raises(ValueError, match="read-only"):
        RATES_HZ[0] = 1.0


def test_the_background_comes_hardly_ever_once_a_day_or_in_steps_up_to_once_in_a_hundred_seconds() -> None:
    """Beside a fault on the map 3 % have another trouble, as docs/probabilities.md says; without one there is some."""
    assert BACKGROUND_HZ[0] * 3600.0 * 24.0 * 365.0 < 0.5
    assert BACKGROUND_HZ[1] * 86_400.0 == pytest.approx(1.0, rel=0.2)
    steps = BACKGROUND_HZ[2:] / BACKGROUND_HZ[1:-1]
    assert steps.min() > 2.5
    assert steps.max() < 11.0
    assert BACKGROUND_HZ[-1] == pytest.approx(0.01)
    assert BACKGROUND_BESIDE.sum() == pytest.approx(1.0)
    assert BACKGROUND_BESIDE[0] == pytest.approx(0.97)
    assert (np.diff(BACKGROUND_BESIDE) < 0.0).all()
    assert BACKGROUND_ALONE.sum() == pytest.approx(1.0)
    assert BACKGROUND_ALONE[0] == 0.0
    assert int(BACKGROUND_ALONE.argmax()) == 4  # most often every quarter of an hour
