"""The posterior over sets of faulty parts against the same worked out the long way, and against sums by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Float64Array
from busdoc.isolation.suspects.evidence import Evidence
from busdoc.isolation.suspects.failed_starts import Starts
from busdoc.isolation.suspects.fault_onset import Late
from busdoc.isolation.suspects.rates import BACKGROUND_ALONE, BACKGROUND_BESIDE, BACKGROUND_HZ, RATES_HZ
from busdoc.isolation.suspects.sets import likelihood
from busdoc.isolation.suspects.sets.causes import OFF_THE_MAP, Causes
from busdoc.isolation.suspects.sets.posterior import Posterior, weigh_sets
from tests.isolation.by_enumeration import posterior_of_sets

N_RATES = len(RATES_HZ)


def made_up(
    hazard: Float64Array,
    survival: Float64Array,
    background: Float64Array,
    starts: Float64Array | None = None,
    starts_background: Float64Array | None = None,
    *,
    calm: Float64Array | None = None,
    weights: Float64Array | None = None,
    part: list[int] | None = None,
    late: list[bool] | None = None,
) -> Causes:
    """Causes with evidence out of nowhere: (Q, K, R), (Q, R), (K, Z), (Q, E, R), (E,)."""
    n, n_incidents = hazard.shape[:2]
    starts = np.zeros((n, 0, N_RATES)) if starts is None else starts
    n_starts = starts.shape[1]
    none = np.zeros((n, n_incidents, N_RATES))
    part = list(range(n)) if part is None else part
    weights = np.ones(n) if weights is None else weights
    return Causes(
        evidence=Evidence(
            hazard=hazard,
            survival=survival,
            background=background,
            calm=np.ones(len(BACKGROUND_HZ)) if calm is None else calm,
            exposed=np.ones((n, n_incidents), np.bool_),
            quiet_s=np.zeros(n),
            trust=np.ones((n, N_RATES)),
            starts=Starts(
                hazard=starts,
                background=np.zeros(0) if starts_background is None else starts_background,
                hit=np.ones((n_starts, 1), np.bool_),
                exposed=np.ones((n, n_starts), np.bool_),
                action=(None,) * n_starts,
            ),
            late=Late(hazard=none, first=none, survival=none, prior=np.zeros(n_incidents)),
        ),
        part=np.array(part),
        weights=weights / weights.sum(),
        late=np.zeros(n, np.bool_) if late is None else np.array(late, np.bool_),
        n_parts=max(part) + 1,
    )


@st.composite
def any_causes(draw: st.DrawFn) -> Causes:
    """Up to five parts, two causes off the map and two gone bad late; six incidents, two failed starts."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    n_parts, n_off = draw(st.integers(1, 5)), draw(st.integers(0, 2))
    late = draw(st.lists(st.integers(0, n_parts - 1), max_size=2))
    n_incidents, n_starts = draw(st.integers(0, 6)), draw(st.integers(0, 2))
    part = [*range(n_parts), *[OFF_THE_MAP] * n_off, *late]
    n = len(part)
    twins = draw(st.booleans()) and n > 1
    spread = draw(st.sampled_from((1.0, 4.0)))
    hazard = np.exp(spread * rng.normal(size=(n, n_incidents, N_RATES))) * (rng.random((n, n_incidents, 1)) < 0.7)
    survival = rng.random((n, N_RATES)) ** spread
    starts = rng.random((n, n_starts, N_RATES)) * (rng.random((n, n_starts, 1)) < 0.8)
    if twins:  # never told apart
        hazard[1], survival[1], starts[1] = hazard[0], survival[0], starts[0]
    background = np.exp(rng.normal(-3.0, spread, (n_incidents, 1))) * BACKGROUND_HZ * 100.0
    return made_up(
        hazard,
        survival,
        background,
        starts,
        rng.uniform(0.01, 0.3, n_starts),
        calm=np.exp(-BACKGROUND_HZ * rng.uniform(0.0, 1000.0)),
        weights=rng.uniform(0.01, 1.0, n),
        part=part,
        late=[q >= n_parts + n_off for q in range(n)],
    )


def agrees(posterior: Posterior, causes: Causes, within: float = 1e-9) -> None:
    """Every set, every part, nothing and elsewhere."""
    enumerated = posterior_of_sets(causes)
    n_parts = causes.n_parts
    of_parts = np.zeros(n_parts)
    elsewhere = 0.0
    for s, weight in enumerated.items():
        parts = {int(causes.part[q]) for q in s}
        for p in parts - {OFF_THE_MAP}:
            of_parts[p] += weight
        elsewhere += weight * (not s or OFF_THE_MAP in parts)
    found: dict[tuple[int, ...], float] = {}
    for row, weight in zip(posterior.sets, posterior.weight, strict=True):
        key = tuple(sorted(int(p) for p in row if p >= 0))
        found[key] = found.get(key, 0.0) + float(weight)
    expected: dict[tuple[int, ...], float] = {}
    for s, weight in enumerated.items():
        key = tuple(sorted(n_parts if causes.part[q] == OFF_THE_MAP else int(causes.part[q]) for q in s))
        expected[key] = expected.get(key, 0.0) + weight
    assert max(abs(found.get(key, 0.0) - expected.get(key, 0.0)) for key in {*found, *expected}) < within
    assert np.abs(posterior.marginal - of_parts).max() < within
    assert posterior.sets.min() == -1
    assert posterior.weight.sum() == pytest.approx(1.0)
    assert posterior.nothing == pytest.approx(enumerated[()], abs=within)
    assert posterior.elsewhere == pytest.approx(elsewhere, abs=within)


@settings(max_examples=40)
@given(causes=any_causes())
def test_it_is_what_every_set_every_rate_and_every_background_multiplied_out_give(causes: Causes) -> None:
    agrees(weigh_sets(causes), causes)


def many_incidents(seed: int, n_incidents: int, *, idle: bool = False) -> Causes:
    """Four kinds with hazards as a record has them; `idle`: the last two could not have made any incident."""
    rng = np.random.default_rng(seed)
    fit = rng.choice([0.0, 0.2, 1.0], (4, n_incidents))
    waited_s = np.exp(rng.uniform(-1.0, 5.0, (4, n_incidents)))[:, :, None]
    hazard = fit[:, :, None] * RATES_HZ * np.exp(-RATES_HZ * waited_s)
    quiet_s = np.exp(rng.uniform(0.0, 6.0, (4, 3)))[:, :, None]
    survival = (0.99 * np.exp(-RATES_HZ * quiet_s) + 0.01).prod(axis=1)
    if idle:
        hazard[2:] = 0.0
    background = np.broadcast_to(BACKGROUND_HZ, (n_incidents, len(BACKGROUND_HZ)))
    return made_up(hazard, survival, background, calm=np.exp(-1000.0 * BACKGROUND_HZ))


def thinned(causes: Causes) -> Posterior:
    """Let it take the way for many incidents."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(likelihood, "_MOST_WAYS", 0.0)
        return weigh_sets(causes)


@pytest.mark.parametrize("seed", range(6))
def test_with_many_incidents_the_thinned_sum_stays_near_the_whole_one(seed: int) -> None:
    causes = many_incidents(seed, 11)
    assert np.abs(thinned(causes).marginal - weigh_sets(causes).marginal).max() < 0.03


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_with_dozens_of_incidents_the_thinned_sum_stays_near_the_long_way_round(seed: int) -> None:
    """Densities in units that keep the long way within a double; the unit does not matter."""
    causes = many_incidents(seed, 40)
    causes.evidence.hazard[:] *= 1e3
    causes = replace(causes, evidence=replace(causes.evidence, background=causes.evidence.background * 1e3))
    agrees(weigh_sets(causes), causes, within=0.002)


@pytest.mark.parametrize("seed", range(6))
def test_where_at_most_two_made_incidents_the_thinned_sum_is_exact(seed: int) -> None:
    causes = many_incidents(seed, 5, idle=True)
    agrees(thinned(causes), causes)


@pytest.mark.parametrize("seed", range(4))
def test_two_incidents_are_made_by_two_at_most_so_that_pairs_with_a_third_silent_are_exact(seed: int) -> None:
    causes = many_incidents(seed, 2)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(likelihood, "_WORTH_A_THIRD", np.inf)
        agrees(thinned(causes), causes)


@pytest.mark.parametrize("n_starts", [0, 2])
def test_kinds_that_are_not_paired_count_alone_or_silently_beside_one(n_starts: int) -> None:
    """Exact where only one could have made anything, a failed start or an incident."""
    causes = many_incidents(1, 4)
    e = causes.evidence
    e.hazard[1:] = 0.0
    starts = np.zeros((4, n_starts, N_RATES))
    starts[0] = -np.expm1(-3.0 * RATES_HZ)
    causes = made_up(e.hazard, e.survival, e.background, starts, np.full(n_starts, 0.02), calm=e.calm)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(likelihood, "_MOST_PAIRED", 1)
        agrees(thinned(causes), causes)


def test_a_start_that_failed_for_two_reasons_is_not_counted_twice() -> None:
    """Where two of three are sure to have been enough, the third adds nothing: at least as likely as either pair."""
    starts = np.ones((3, 1, N_RATES))
    quiet = np.broadcast_to(np.exp(-RATES_HZ * 60.0), (3, N_RATES)).copy()
    none = np.zeros((0, len(BACKGROUND_HZ)))
    causes = made_up(np.zeros((3, 0, N_RATES)), quiet, none, starts, np.array([0.02]))
    agrees(weigh_sets(causes), causes)
    agrees(thinned(causes), causes)


@pytest.mark.parametrize("n_faulty", [1, 2, 3])
def test_as_many_bad_parts_as_were_each_seen_alone_are_found(n_faulty: int) -> None:
    """Nine parts, each alone in the machine once: those that are bad fell within a second, the others stayed quiet.

    Worked by hand for the bad ones: without them their dropout would be the background's, once in a hundred hours.
    """
    hazard = np.zeros((9, n_faulty, N_RATES))
    bad = [7, 2, 5][:n_faulty]
    for k, p in enumerate(bad):
        hazard[p, k] = RATES_HZ * np.exp(-RATES_HZ * 1.0)
    survival = np.broadcast_to(np.exp(-RATES_HZ * 600.0), (9, N_RATES)).copy()
    survival[bad] = 1.0
    background = np.full((n_faulty, len(BACKGROUND_HZ)), 1.0 / 360_000.0)
    causes = made_up(hazard, survival, background)
    for posterior in (weigh_sets(causes), thinned(causes)):
        assert posterior.marginal[bad].min() > 0.99
        assert np.delete(posterior.marginal, bad).max() < 0.02


@pytest.mark.filterwarnings("error")
def test_with_hundreds_of_incidents_the_rate_is_still_the_gamma_posterior() -> None:
    """r^n exp(-r T) over the grid: n dropouts in a time T (A. Gelman and others, Bayesian Data Analysis, 2.6).

    At the fastest rates the likelihood of the dropouts is beyond a double, and at the slowest that of the quiet.
    """
    n, exposed_s = 400, 1500.0
    hazard = np.broadcast_to(RATES_HZ, (1, n, N_RATES)).copy()
    causes = made_up(hazard, np.exp(-RATES_HZ * exposed_s)[None], np.full((n, len(BACKGROUND_HZ)), 1e-12))
    log_gamma = n * np.log(RATES_HZ) - RATES_HZ * exposed_s
    expected = np.exp(log_gamma - log_gamma.max())
    posterior = weigh_sets(causes)
    assert posterior.rate[0] == pytest.approx(expected / expected.sum(), abs=1e-9)
    assert posterior.weight.sum() == pytest.approx(1.0)
    assert posterior.marginal[0] > 0.99


def test_of_more_parts_than_are_taken_in_threes_those_that_showed_are_taken_first() -> None:
    """Seventy parts, of which all sets of three would be fifty thousand: the bad ones are the last of the map."""
    hazard, survival = np.zeros((70, 3, N_RATES)), np.broadcast_to(np.exp(-RATES_HZ * 600.0), (70, N_RATES)).copy()
    for k, p in enumerate((67, 68, 69)):
        hazard[p, k], survival[p] = RATES_HZ * np.exp(-RATES_HZ * 1.0), 1.0
    posterior = weigh_sets(made_up(hazard, survival, np.full((3, len(BACKGROUND_HZ)), 1.0 / 360_000.0)))
    assert posterior.marginal[67:].min() > 0.99


@pytest.mark.parametrize("factor", [1e-60, 1e60])
def test_how_unlikely_an_incident_is_for_everybody_tells_nothing(factor: float) -> None:
    """Twenty controllers out of nobody's reach fell with it each time: one in a thousand for each, whoever made it."""
    causes = many_incidents(0, 40)
    e = causes.evidence
    scaled = replace(e, hazard=e.hazard * factor, background=e.background * factor)
    found, expected = weigh_sets(replace(causes, evidence=scaled)), weigh_sets(causes)
    assert found.marginal == pytest.approx(expected.marginal, abs=1e-9)
    assert found.shows == pytest.approx(expected.shows, abs=1e-9)


@pytest.mark.filterwarnings("error")
def test_a_part_that_was_quiet_for_years_is_out_of_the_question_and_nothing_else_suffers() -> None:
    """Its survival is nil at every rate: 231 days at once an hour are e^-5555."""
    causes = many_incidents(0, 3)
    causes.evidence.survival[0] = 0.0
    for posterior in (weigh_sets(causes), thinned(causes)):
        assert posterior.marginal[0] == 0.0
        assert np.isfinite(posterior.marginal).all()
        assert posterior.rate.sum(axis=1) == pytest.approx(1.0)
    causes.evidence.survival[:] = 0.0
    assert np.isfinite(weigh_sets(causes).marginal).all()


def rates_alone(causes: Causes) -> Float64Array:
    """(Q, R) posterior of the rate of each cause, were it the only one: over the background, event by event."""
    e = causes.evidence
    weight = e.survival[:, :, None] * e.calm * BACKGROUND_BESIDE
    for k in range(e.hazard.shape[1]):
        weight = weight * (e.hazard[:, k, :, None] + e.background[k])
    for m in range(e.starts.hazard.shape[1]):
        weight = weight * (1.0 - (1.0 - e.starts.hazard[:, m, :, None]) * (1.0 - e.starts.background[m]))
    rates: Float64Array = weight.sum(axis=2) / weight.sum(axis=(1, 2))[:, None]
    return rates


@settings(max_examples=20)
@given(causes=any_causes())
def test_rates_are_those_of_a_part_that_is_faulty_alone_and_of_the_background_of_a_sound_machine(
    causes: Causes,
) -> None:
    """And a part has earned its quiet as far as the fault that is chased, at its rate, would not have shown by then."""
    e, n_parts = causes.evidence, causes.n_parts
    e.quiet_s[:] = 30.0 * np.arange(len(causes.weights))
    posterior, rates = weigh_sets(causes), rates_alone(causes)
    assert posterior.rate == pytest.approx(rates[:n_parts], abs=1e-9)
    in_set = np.zeros(len(causes.weights))
    for s, weight in posterior_of_sets(causes).items():
        in_set[list(s)] += weight
    off = causes.part == OFF_THE_MAP
    of_off = in_set[off] @ rates[off] if off.any() else np.full(N_RATES, 1.0 / N_RATES)
    assert posterior.rate_off == pytest.approx(of_off / of_off.sum(), abs=1e-9)
    chased = in_set @ rates / in_set.sum()
    earned = [chased @ np.exp(-RATES_HZ * 30.0 * p) for p in range(n_parts)]
    assert posterior.earned == pytest.approx(np.array(earned), abs=1e-9)
    background = e.background.prod(axis=0) * e.calm * BACKGROUND_ALONE
    assert posterior.background == pytest.approx(background / background.sum(), abs=1e-9)


@settings(max_examples=20)
@given(causes=any_causes())
def test_who_showed_is_judged_by_what_the_others_leave_at_their_mean(causes: Causes) -> None:
    """In three rounds, cause by cause; one gone bad late may not claim more than it is likely to be bad."""
    e, n = causes.evidence, len(causes.weights)
    likely = np.zeros(n)
    for s, weight in posterior_of_sets(causes).items():
        likely[list(s)] += weight
    background = e.background @ (e.calm * BACKGROUND_BESIDE) / (e.calm @ BACKGROUND_BESIDE)
    n_incidents, starts = e.hazard.shape[1], e.starts.background
    hazard = np.concatenate((e.hazard, e.starts.hazard), axis=1)
    background = np.concatenate((background, starts))
    made, rate = np.zeros((n, len(background))), np.zeros((n, N_RATES))
    for _ in range(3):
        last = made.copy()
        for q in range(n):
            left = background + last.sum(axis=0) - last[q]
            weight = e.survival[q] * (hazard[q] + left[:, None]).prod(axis=0)
            rate[q] = weight / weight.sum()
            made[q] = likely[q] * (hazard[q] @ rate[q])
    shows = weigh_sets(causes).shows_rate
    for k in range(n_incidents):
        share = made[:, k] / (background[k] + made[:, k].sum())
        most = np.where(causes.late, likely, 1.0)
        over, free = np.maximum(share - most, 0.0), share < most
        room = share[free].sum() + 1.0 - share.sum()
        share = np.where(free, share * (1.0 + over.sum() / room), np.minimum(share, most)) if room > 0.0 else share
        for p in range(causes.n_parts):
            own = [q for q in range(n) if causes.part[q] == p]
            by_rate = sum(
                share[q] * hazard[q, k] * rate[q] / max(hazard[q, k] @ rate[q], 1e-300) for q in own
            )  # fmt: skip
            assert shows[k, p] == pytest.approx(by_rate, abs=1e-7)


def test_each_of_two_bad_parts_showed_in_the_dropouts_that_only_it_could_make() -> None:
    hazard = np.zeros((3, 4, N_RATES))
    hazard[0, :2], hazard[1, 2:] = RATES_HZ, RATES_HZ
    survival = np.broadcast_to(np.exp(-RATES_HZ * 100.0), (3, N_RATES)).copy()
    posterior = weigh_sets(made_up(hazard, survival, np.full((4, len(BACKGROUND_HZ)), 1e-9)))
    assert posterior.shows == pytest.approx(np.array([[1, 0, 0], [1, 0, 0], [0, 1, 0], [0, 1, 0]]), abs=1e-4)
    assert posterior.shows_rate.sum(axis=2) == pytest.approx(posterior.shows)
