"""The statistics of a fleet against worked examples of handbooks and papers, and against reference libraries."""

import math

import numpy as np
import pytest

from busdoc.many.statistics.before_after import Stratum, change_of
from busdoc.many.statistics.gamma_poisson import fit, learn
from busdoc.many.statistics.power_law import Life, trend_of
from busdoc.many.statistics.ranking import above_the_rest
from busdoc.many.statistics.rates import rate_of
from busdoc.many.statistics.regression import effects_of

CROW = (
    *(2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1, 132.0, 142.2),
    *(147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1),
)
"""MIL-HDBK-189C, the example of a time-terminated test of 300 h with 27 failures (data and results from memory)."""
CROW_SYSTEMS = (
    (4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2),
    (0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 72.7, 75.7, 98.6, 120.1, 161.8, 180.6, 190.8),
    (8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8),
)
"""L. H. Crow, 'Reliability analysis for complex, repairable systems' (1974), also in MIL-HDBK-189: three systems, 200 h
each (data and results from memory)."""
NIST = (5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0)
"""NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.3.4 and 8.4.2: ten repair times in 1,500 h (from memory)."""
LIP_CANCER = (
    *(9, 39, 11, 9, 15, 8, 26, 7, 6, 20, 13, 5, 3, 8, 17, 9, 2, 7, 9, 7, 16, 31, 11, 7, 19, 15, 7, 10, 16, 11, 5, 3),
    *(7, 8, 11, 9, 11, 8, 6, 4, 10, 8, 2, 6, 19, 3, 2, 3, 28, 6, 1, 1, 1, 1, 0, 0),
)
LIP_EXPECTED = (
    *(1.4, 8.7, 3.0, 2.5, 4.3, 2.4, 8.1, 2.3, 2.0, 6.6, 4.4, 1.8, 1.1, 3.3, 7.8, 4.6, 1.1, 4.2, 5.5, 4.4, 10.5, 22.7),
    *(8.8, 5.6, 15.5, 12.5, 6.0, 9.0, 14.4, 10.2, 4.8, 2.9, 7.0, 8.5, 12.3, 10.1, 12.7, 9.4, 7.2, 5.3, 18.8, 15.8),
    *(4.3, 14.6, 50.7, 8.2, 5.6, 9.3, 88.7, 19.6, 3.4, 3.6, 5.7, 7.0, 4.2, 1.8),
)
"""D. Clayton & J. Kaldor, Biometrics 43 (1987) 671-681, table 1: lip cancer in 56 districts of Scotland (data from
memory; they add up to 536 observed and 536 expected, as in the paper)."""
SHIPS = (
    *(("A", "60", "60", 127, 0), ("A", "60", "75", 63, 0), ("A", "65", "60", 1095, 3), ("A", "65", "75", 1095, 4)),
    *(("A", "70", "60", 1512, 6), ("A", "70", "75", 3353, 18), ("A", "75", "75", 2244, 11)),
    *(("B", "60", "60", 44882, 39), ("B", "60", "75", 17176, 29), ("B", "65", "60", 28609, 58)),
    *(("B", "65", "75", 20370, 53), ("B", "70", "60", 7064, 12), ("B", "70", "75", 13099, 44)),
    *(("B", "75", "75", 7117, 18), ("C", "60", "60", 1179, 1), ("C", "60", "75", 552, 1), ("C", "65", "60", 781, 0)),
    *(("C", "65", "75", 676, 1), ("C", "70", "60", 783, 6), ("C", "70", "75", 1948, 2), ("C", "75", "75", 274, 1)),
    *(("D", "60", "60", 251, 0), ("D", "60", "75", 105, 0), ("D", "65", "60", 288, 0), ("D", "65", "75", 192, 0)),
    *(("D", "70", "60", 349, 2), ("D", "70", "75", 1208, 11), ("D", "75", "75", 2051, 4)),
    *(("E", "60", "60", 45, 0), ("E", "65", "60", 789, 7), ("E", "65", "75", 437, 7), ("E", "70", "60", 1157, 5)),
    *(("E", "70", "75", 2161, 12), ("E", "75", "75", 542, 1)),
)
"""P. McCullagh & J. A. Nelder, Generalized Linear Models (1989), 6.3.2: damage of ships by type, years of building and
years of service, with months of service and incidents (from memory)."""


def from_new(ages: tuple[float, ...], until_h: float) -> Life:
    return Life(ages=ages, watched=((0.0, until_h),))


def test_the_growth_of_the_handbooks_single_test() -> None:
    found = trend_of([from_new(CROW, 300.0)])
    assert found is not None
    assert found.growth == pytest.approx(0.716, abs=0.0005)
    assert 27.0 / 300.0**found.growth == pytest.approx(0.454, abs=0.0005)  # the handbook's scale
    assert 27.0 * found.growth / 300.0 == pytest.approx(0.0645, abs=0.00005)  # its intensity at the end


def test_the_growth_of_three_systems_taken_together() -> None:
    found = trend_of([from_new(ages, 200.0) for ages in CROW_SYSTEMS])
    assert found is not None
    assert found.n == 36
    assert found.growth == pytest.approx(0.615, abs=0.001)
    assert 36.0 / 3.0 / 200.0**found.growth == pytest.approx(0.461, abs=0.003)


def test_the_trend_test_of_the_e_handbook() -> None:
    """Its military handbook test gives 37.23 on 20 degrees of freedom; its slope, corrected for bias, is 1 - 0.516."""
    from scipy.stats import chi2

    found = trend_of([from_new(NIST, 1500.0)])
    assert found is not None
    assert 2.0 * 10 / found.growth == pytest.approx(37.23, abs=0.01)
    assert found.p == pytest.approx(2.0 * chi2.sf(37.23, 20), rel=0.01)
    assert found.growth * 9.0 / 10.0 == pytest.approx(1.0 - 0.516, abs=0.001)
    assert 1500.0 / (10.0 * found.growth * 0.9) == pytest.approx(310.0, abs=1.0)  # its MTBF at the end
    limits = [float(chi2.ppf(share, 20)) / 20.0 * found.growth for share in (0.025, 0.975)]
    assert (found.low, found.high) == pytest.approx(limits)


def test_a_life_seen_in_pieces_gives_what_it_gives_whole_and_one_with_holes_nearly() -> None:
    whole = trend_of([from_new(ages, 200.0) for ages in CROW_SYSTEMS])
    pieces = trend_of([Life(ages=ages, watched=((0.0, 90.0), (90.0, 200.0))) for ages in CROW_SYSTEMS])
    assert whole is not None
    assert pieces is not None
    assert pieces.growth == pytest.approx(whole.growth, rel=1e-4)
    assert (pieces.low, pieces.high, pieces.p) == pytest.approx((whole.low, whole.high, whole.p), rel=0.25)
    holes = ((0.0, 60.0), (120.0, 200.0))
    seen = [tuple(age for age in ages if age < 60.0 or age > 120.0) for ages in CROW_SYSTEMS]
    found = trend_of([Life(ages=ages, watched=holes) for ages in seen])
    assert found is not None
    assert found.low < whole.growth < found.high


def test_machines_of_different_quality_and_age_make_no_trend() -> None:
    """The old ones are the bad ones; on each the rate is steady."""
    lives = [
        Life(ages=tuple(np.linspace(start + 1.0, start + 99.0, n).tolist()), watched=((start, start + 100.0),))
        for start, n in ((10.0, 4), (500.0, 10), (2000.0, 40))
    ]
    found = trend_of(lives)
    assert found is not None
    assert found.p > 0.2


def test_too_few_dropouts_make_no_trend() -> None:
    assert trend_of([from_new((1.0, 2.0, 3.0, 4.0), 10.0)]) is None


def test_the_gamma_distribution_of_the_lip_cancer_districts() -> None:
    """The paper's estimates are a shape of 1.88 and a scale of 1.32 (from memory); statsmodels is the reference."""
    import statsmodels.api as sm

    observed, expected = np.array(LIP_CANCER), np.array(LIP_EXPECTED)
    assert observed.sum() == 536
    assert expected.sum() == pytest.approx(536.0, abs=0.5)
    found = fit(observed, expected)
    assert found is not None
    assert found == pytest.approx((1.88, 1.32), abs=0.005)
    reference = sm.NegativeBinomial(observed, np.ones(56), exposure=expected).fit(disp=0)
    assert found[0] == pytest.approx(1.0 / reference.params[1], rel=1e-3)
    assert found[0] / found[1] == pytest.approx(math.exp(reference.params[0]), rel=1e-3)


def test_little_seen_is_believed_to_be_like_the_others() -> None:
    """A Bayesian Data Analysis, 2.6 (Gelman et al.): y = 3 in 2.0 with Gamma(3, 5) is Gamma(6, 7), with a mean of 0.86;
    y = 30 in 20 is Gamma(33, 25), with a mean of 1.32 and 93 % above 1. One gamma distribution is a model of one point.
    """
    from busdoc.many.statistics.gamma_poisson import GammaPoisson

    one = GammaPoisson(mean=np.array([3.0 / 5.0]), shape=np.array([3.0]), weight=np.ones(1))
    n, hours = np.array([3, 30]), np.array([2.0, 20.0])
    assert one.believed(n, hours) == pytest.approx((0.86, 1.32), abs=0.005)
    low, _ = one.interval(n, hours, confidence=1.0 - 2.0 * 0.07)
    assert low[1] == pytest.approx(1.0, abs=0.01)


def test_what_is_believed_of_the_districts_is_shrunk_and_its_interval_is_wider_than_the_likeliest_models() -> None:
    from scipy.stats import gamma

    observed, expected = np.array(LIP_CANCER), np.array(LIP_EXPECTED)
    model, found = learn(observed, expected), fit(observed, expected)
    assert model is not None
    assert found is not None
    shape, inverse = found[0] + observed, found[1] + expected
    assert model.believed(observed, expected) == pytest.approx(shape / inverse, rel=0.05)
    low, high = model.interval(observed, expected)
    plain = gamma.ppf(0.975, shape, scale=1.0 / inverse) - gamma.ppf(0.025, shape, scale=1.0 / inverse)
    assert np.mean((high - low) / plain) > 1.0
    assert learn(np.zeros(5, np.int64), np.ones(5)) is None
    assert learn(np.array([3]), np.array([2.0])) is None


def test_the_dropouts_ahead_are_negative_binomial() -> None:
    from scipy.stats import nbinom

    from busdoc.many.statistics.gamma_poisson import GammaPoisson

    one = GammaPoisson(mean=np.array([0.6]), shape=np.array([3.0]), weight=np.ones(1))
    reference = nbinom(3.0 + 7, (5.0 + 20.0) / (5.0 + 20.0 + 40.0))
    wanted = (int(reference.ppf(0.025)), int(reference.ppf(0.975)))
    assert one.expected(np.array([7]), np.array([20.0]), 40.0) == wanted


def test_the_ratio_of_two_rates() -> None:
    """The example of R's poisson.test: 11 in 800 against 21 in 3,011 person-years; its ratio is 1.971488, its interval
    0.8584264 to 4.2772659 (from memory).
    """
    found = change_of([Stratum(n_before=21, h_before=3011.0, n_after=11, h_after=800.0)])
    assert found is not None
    assert found.ratio == pytest.approx(1.971488, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((0.8584264, 4.2772659), abs=1e-5)


def test_the_ratio_agrees_with_the_interval_of_a_binomial_share() -> None:
    from scipy.stats import binomtest

    found = change_of([Stratum(n_before=17, h_before=40.0, n_after=4, h_after=60.0)])
    assert found is not None
    exact = binomtest(4, 21).proportion_ci(method="exact")
    limits = [share / (1.0 - share) * 40.0 / 60.0 for share in (exact.low, exact.high)]
    assert (found.low, found.high) == pytest.approx(limits, rel=1e-6)
    assert found.p == pytest.approx(2.0 * binomtest(4, 21, 0.6, alternative="less").pvalue, rel=1e-9)


def test_a_machine_that_was_watched_only_after_tells_nothing_and_a_bad_one_does_not_hide_the_change() -> None:
    both = [Stratum(n_before=2, h_before=10.0, n_after=1, h_after=10.0)] * 8
    alone = change_of(both)
    assert change_of([*both, Stratum(n_before=0, h_before=0.0, n_after=50, h_after=10.0)]) == alone
    assert change_of([Stratum(n_before=0, h_before=0.0, n_after=50, h_after=10.0)]) is None
    # before: mostly the good machine; after: mostly the bad one; on each the rate has halved
    mixed = [
        Stratum(n_before=20, h_before=100.0, n_after=1, h_after=10.0),
        Stratum(n_before=20, h_before=10.0, n_after=100, h_after=100.0),
    ]
    found = change_of(mixed)
    assert found is not None
    assert found.ratio == pytest.approx(0.5, abs=0.01)
    assert found.n_after / found.h_after > found.n_before / found.h_before


def test_no_dropout_on_one_side_leaves_one_limit_open() -> None:
    none_after = change_of([Stratum(n_before=8, h_before=10.0, n_after=0, h_after=10.0)])
    none_before = change_of([Stratum(n_before=0, h_before=10.0, n_after=8, h_after=10.0)])
    assert none_after is not None
    assert none_before is not None
    assert (none_after.ratio, none_after.low) == (0.0, 0.0)
    assert none_after.high == pytest.approx(1.0 / none_before.low)
    assert (none_before.ratio, none_before.high) == (math.inf, math.inf)


def test_the_ships_of_the_book_on_regression() -> None:
    """Its coefficients: types B -0.54, C -0.69, D -0.08, E 0.33; built 65-69 0.70, 70-74 0.82, 75-79 0.45; service from
    75 on 0.38; a dispersion of 1.69 (the book; from memory).
    """
    kind, built, service, months, incidents = zip(*SHIPS, strict=True)
    columns = {"type": kind, "built": [f"y{year}" for year in built], "service": [f"from {year}" for year in service]}
    found = effects_of(np.array(incidents), np.array(months, np.float64), columns)
    assert found.left_out == ()
    assert found.dispersion == pytest.approx(1.69, abs=0.01)
    got = {(one.column, one.value): math.log(one.ratio) for one in found.effects}
    against = {one.column: one.against for one in found.effects}

    def between(column: str, value: str, base: str) -> float:
        return got.get((column, value), 0.0) - got.get((column, base), 0.0)

    assert set(against) == {"type", "built", "service"}
    for value, wanted in (("B", -0.54), ("C", -0.69), ("D", -0.08), ("E", 0.33)):
        assert between("type", value, "A") == pytest.approx(wanted, abs=0.006)
    for value, wanted in (("y65", 0.70), ("y70", 0.82), ("y75", 0.45)):
        assert between("built", value, "y60") == pytest.approx(wanted, abs=0.006)
    assert between("service", "from 75", "from 60") == pytest.approx(0.38, abs=0.006)


def test_no_more_is_asked_of_the_columns_than_the_dropouts_hold() -> None:
    n, hours = np.array([3, 2, 4, 3, 5, 4]), np.full(6, 10.0)
    columns = {
        "software": ["4.1", "4.2"] * 3,
        "model": ["x", "y", "z"] * 2,
        "serial": list("abcdef"),
        "colour": ["red"] * 6,
        "owner": ["", "", "", "", "a", "b"],
    }
    found = effects_of(n, hours, columns)
    assert {one.column for one in found.effects} == {"software"}
    told = " ".join(found.left_out)
    assert "model: there are too few dropouts" in told
    assert "serial: some of its 6 values" in told
    assert "colour: it is the same everywhere" in told
    assert "owner: most cells are empty" in told


def test_machines_that_fit_too_well_are_no_surer_than_chance_allows() -> None:
    found = effects_of(np.full(8, 3), np.full(8, 10.0), {"software": ["4.1", "4.2"] * 4})
    (effect,) = found.effects
    assert (found.dispersion, effect.ratio) == pytest.approx((1.0, 1.0))
    assert effect.low < 0.6
    assert effect.high > 1.6


def test_the_interval_of_a_rate_is_garwoods() -> None:
    """F. Garwood, Biometrika 28 (1936), table 1: 0.6187 to 8.7673 for 3, 0 to 3.6889 for 0 (from memory)."""
    assert (rate_of(3, 2.0).low, rate_of(3, 2.0).high) == pytest.approx((0.6187 / 2, 8.7673 / 2), abs=1e-4)
    assert (rate_of(0, 1.0).low, rate_of(0, 1.0).high) == pytest.approx((0.0, 3.6889), abs=1e-4)
    bunched = rate_of(30, 10.0, bunching=3.0)
    assert bunched.high - bunched.low > 1.5 * (rate_of(30, 10.0).high - rate_of(30, 10.0).low)


def test_the_ranking_test_is_the_exact_binomial_one() -> None:
    from scipy.stats import binomtest

    n, hours = np.array([9, 2, 4, 0, 7]), np.array([3.0, 5.0, 4.0, 0.0, 8.0])
    wanted = [binomtest(int(k), 22, h / 20.0, alternative="greater").pvalue for k, h in zip(n, hours, strict=True)]
    assert above_the_rest(n, hours) == pytest.approx([*wanted[:3], 1.0, wanted[4]])
