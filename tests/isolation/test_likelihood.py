"""The short way to the likelihoods of sets, for many incidents, against the whole sum."""

from dataclasses import replace
from unittest.mock import Mock

import numpy as np
import pytest

from busdoc.isolation.suspects.rates import BACKGROUND_BESIDE, BACKGROUND_HZ, RATES_HZ
from busdoc.isolation.suspects.sets import lately, likelihood
from busdoc.isolation.suspects.sets.likelihood import SetLikelihoods, Terms, likelihoods_of_sets

N_RATES = len(RATES_HZ)
TRIPLES = np.array([(a, b, c) for a in range(4) for b in range(a, 4) for c in range(b, 4)])


def any_terms(seed: int, n_incidents: int, n_starts: int = 0, n_kinds: int = 4) -> Terms:
    """Hazards between nought and one, all of which may have made everything."""
    rng = np.random.default_rng(seed)
    n_events = n_incidents + n_starts
    return Terms(
        hazard=rng.random((n_kinds, n_events, N_RATES)),
        survival=rng.random((n_kinds, N_RATES)) * 0.05,
        background=rng.uniform(0.01, 0.1, (n_events, len(BACKGROUND_HZ))),
        calm=np.exp(-500.0 * BACKGROUND_HZ) * BACKGROUND_BESIDE,
        n_incidents=n_incidents,
    )


def the_short_way(terms: Terms, **limits: float) -> SetLikelihoods:
    with pytest.MonkeyPatch.context() as patch:
        for name, limit in {"_MOST_WAYS": 0.0, **limits}.items():
            patch.setattr(likelihood, name, limit)
        return likelihoods_of_sets(terms)


@pytest.mark.parametrize(
    ("n_incidents", "n_starts", "n_kinds", "whole"),
    [(13, 0, 5, True), (13, 0, 6, False), (10, 2, 7, True), (10, 2, 8, False)],
)
def test_the_whole_sum_is_taken_for_fifty_million_products_at_most(
    n_incidents: int, n_starts: int, n_kinds: int, whole: bool
) -> None:
    """Three causes an incident, two kinds and the background; four for a start, which may fail for both reasons."""
    products = 3**n_incidents * 4**n_starts * n_kinds**2
    with pytest.MonkeyPatch.context() as patch:
        shared_out, short = Mock(return_value=(np.zeros(0), np.zeros(0))), Mock()
        patch.setattr(likelihood, "_shared_out", shared_out)
        patch.setattr(likelihood, "_thinned", short)
        likelihoods_of_sets(any_terms(0, n_incidents, n_starts, n_kinds))
    assert (products <= 5e7) is whole
    assert (shared_out.called, short.called) == (whole, not whole)


@pytest.mark.parametrize("n_starts", [0, 2])
@pytest.mark.parametrize("seed", range(3))
def test_where_all_kinds_and_rates_are_tried_it_is_the_whole_sum(seed: int, n_starts: int) -> None:
    """Of two and of three, those of one kind among them."""
    terms = any_terms(seed, 4, n_starts)
    whole, short = likelihoods_of_sets(terms), the_short_way(terms, _WORTH_A_THIRD=-1.0)
    assert short.one == pytest.approx(whole.one, abs=1e-9)
    assert short.pair == pytest.approx(whole.pair, abs=1e-9)
    assert short.three(TRIPLES) == pytest.approx(whole.three(TRIPLES), abs=1e-9)


def test_one_incident_has_one_cause_so_that_each_counted_alone_is_exact() -> None:
    """The others silent, less what is counted twice: that none of them made it."""
    terms = any_terms(5, 1)
    whole, short = likelihoods_of_sets(terms), the_short_way(terms, _MOST_PAIRED=1, _WORTH_A_THIRD=np.inf)
    assert short.pair == pytest.approx(whole.pair, abs=1e-9)
    assert short.three(TRIPLES) == pytest.approx(whole.three(TRIPLES), abs=1e-9)


@pytest.mark.parametrize(("n_incidents", "n_starts"), [(0, 1), (1, 1)])
def test_a_start_that_may_have_failed_for_two_reasons_counts_by_the_better_and_never_for_both(
    n_incidents: int, n_starts: int
) -> None:
    terms = any_terms(6, n_incidents, n_starts)
    whole, short = likelihoods_of_sets(terms), the_short_way(terms, _MOST_PAIRED=1, _WORTH_A_THIRD=np.inf)
    silent = np.log(terms.survival.sum(axis=1))
    alone = np.maximum(whole.one[:, None] + silent[None, :], whole.one[None, :] + silent[:, None])
    best = int(whole.one.argmax())
    others = np.arange(4) != best
    assert short.pair[others] == pytest.approx(alone[others])
    assert (short.pair <= whole.pair + 1e-9).all()
    # Of three: the best of the pairs, with the other silent.
    a, b, c = TRIPLES.T
    pairs = (short.pair[a, b] + silent[c], short.pair[a, c] + silent[b], short.pair[b, c] + silent[a])
    assert short.three(TRIPLES) == pytest.approx(np.max(pairs, axis=0))


def three_that_each_showed(n_sound: int, rates: tuple[int, int, int]) -> Terms:
    """Three bad parts, each with four dropouts of its own, each at its own rate; sound ones, quiet all the while."""
    n_kinds = n_sound + 3
    hazard = np.zeros((n_kinds, 12, N_RATES))
    survival = np.exp(-np.outer(600.0 + np.arange(n_kinds), RATES_HZ)) / N_RATES
    for n, r in enumerate(rates):
        hazard[n_sound + n, 4 * n : 4 * n + 4] = RATES_HZ * np.exp(-RATES_HZ / RATES_HZ[r])
        survival[n_sound + n] = 1.0 / N_RATES
    top = hazard.max(axis=(0, 2))
    background = np.broadcast_to(BACKGROUND_HZ, (12, len(BACKGROUND_HZ)))
    return Terms(
        hazard=hazard / top[:, None],
        survival=survival,
        background=background / top[:, None],
        calm=np.exp(-3600.0 * BACKGROUND_HZ) * BACKGROUND_BESIDE,
        n_incidents=12,
    )


@pytest.mark.parametrize("rates", [(4, 10, 15), (3, 10, 19)])
def test_eight_rates_of_each_about_the_one_that_it_shows_at_are_enough(rates: tuple[int, int, int]) -> None:
    """At the end of the grid too; three hundredths of a natural logarithm are three per cent."""
    terms = three_that_each_showed(2, rates)
    whole, short = likelihoods_of_sets(terms), the_short_way(terms, _MOST_PRODUCTS=0.0)
    assert short.three(np.array([[2, 3, 4]])) == pytest.approx(whole.three(np.array([[2, 3, 4]])), abs=0.03)


def test_where_only_three_kinds_are_tried_at_once_they_are_those_that_showed() -> None:
    """And where only four are paired, with one of the four that stayed quiet."""
    terms = three_that_each_showed(4, (4, 10, 15))
    whole, short = likelihoods_of_sets(terms), the_short_way(terms, _MOST_TRIPLED=3, _MOST_PAIRED=4)
    bad = np.array([[4, 5, 6]])
    assert short.three(bad) == pytest.approx(whole.three(bad), abs=0.03)
    assert short.pair[4:, 4:] == pytest.approx(whole.pair[4:, 4:])


def test_as_many_are_paired_as_may_be_the_likeliest_and_who_explains_an_incident_best() -> None:
    """The first is the likeliest alone; of the others only the third could have made the incident, and at one rate."""
    hazard = np.zeros((4, 1, N_RATES))
    hazard[2, 0, 7] = 1.0
    log_one = np.array([-1.0, -50.0, -50.0, -50.0])
    assert likelihood._likeliest(log_one, hazard, 2).tolist() == [0, 2]
    assert likelihood._likeliest(log_one, hazard, 9).tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize(("second", "tried"), [(0.0, False), (1.0, True)])
def test_three_are_tried_at_once_where_two_explain_what_neither_does_alone(second: float, tried: bool) -> None:
    """The first made half of the incidents; the second part the other half, or nobody."""
    hazard = np.zeros((3, 4, N_RATES))
    hazard[0, :2], hazard[1, 2:] = 1.0, second
    quiet = np.array([0.01, 0.01, 0.01])[:, None] * np.full(N_RATES, 1.0 / N_RATES)
    background = np.full((4, len(BACKGROUND_HZ)), 0.2)
    terms = Terms(hazard=hazard, survival=quiet, background=background, calm=BACKGROUND_BESIDE, n_incidents=4)
    with pytest.MonkeyPatch.context() as patch:
        threes = Mock(return_value={})
        patch.setattr(likelihood, "_threes", threes)
        the_short_way(terms)
    assert threes.called is tried


def test_three_are_tried_at_once_of_those_that_explain_it_or_gain_most_from_another() -> None:
    """Log likelihoods by hand: the first two explain together what neither does, at -1 against -10.

    The last is likelier alone than any of them, and beside the third as likely; but it gains nothing from it.
    """
    one = np.array([-10.0, -10.0, -10.0, -2.0])
    pair = np.full((4, 4), -12.0)
    pair[0, 1] = pair[1, 0] = -1.0
    pair[2, 3] = pair[3, 2] = -3.0
    pair[3, 3] = -4.0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(likelihood, "_MOST_TRIPLED", 2)
        found = likelihood._threes(any_terms(0, 2), one, pair, np.full((4, N_RATES), 1.0 / N_RATES))
    assert set(found) == {(0, 0, 0), (0, 0, 1), (0, 1, 1), (1, 1, 1)}


def test_what_is_asked_twice_of_one_record_is_summed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """By attribution and verdict: the answer is the same object, and another record's is another."""
    summed = Mock(side_effect=likelihoods_of_sets)
    monkeypatch.setattr(lately, "likelihoods_of_sets", summed)
    monkeypatch.setattr(lately, "_lately", {})
    one = any_terms(1, 3)
    first = lately.likelihoods_once(one)
    assert lately.likelihoods_once(replace(one, hazard=one.hazard.copy())) is first
    assert lately.likelihoods_once(any_terms(2, 3)) is not first
    assert summed.call_count == 2
