"""Dropouts that come in bunches, and those that do not."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.many.statistics.bunching import bunching_of
from busdoc.many.statistics.together import fell_together

Falls = dict[str, dict[tuple[str, ...], int]]


def counts(mean_in_bunch: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    machine = np.repeat(np.arange(60), 20)
    hours = rng.uniform(0.5, 2.0, len(machine))
    rate = rng.lognormal(0.0, 0.5, 60)[machine] * 0.5
    bunches = rng.poisson(rate * hours / mean_in_bunch)
    return machine, bunches * round(mean_in_bunch), hours


def test_dropouts_of_a_steady_rate_are_not_bunched_however_the_machines_differ() -> None:
    assert bunching_of(*counts(1.0)) == pytest.approx(1.0, abs=0.1)


def test_bunches_of_four_make_the_variance_four_times_the_mean() -> None:
    assert bunching_of(*counts(4.0)) == pytest.approx(4.0, abs=0.8)


def test_too_little_to_tell_counts_as_steady() -> None:
    assert bunching_of(np.array([0, 0, 1]), np.array([1, 0, 1]), np.array([1.0, 1.0, 0.0])) == 1.0
    assert bunching_of(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)) == 1.0


def test_two_that_fall_together_are_told_from_two_that_only_drop_often() -> None:
    falls: Falls = {
        "km-1": {("hopper", "lift"): 3, ("fan",): 10, ("hopper",): 1},
        "km-2": {("lift", "hopper"): 2},
    }
    (found,) = fell_together(falls, {"km-1": 100.0, "km-2": 100.0})
    assert (found.controllers, found.n, found.of, found.machines) == (("hopper", "lift"), 5, (6, 5), 2)
    assert found.p < 1e-6


def test_three_that_fall_together_are_one_group_and_no_three_pairs() -> None:
    (found,) = fell_together({"km-1": {("boom", "fan", "lift"): 4, ("fan",): 1}}, {"km-1": 100.0})
    assert (found.controllers, found.n, found.of) == (("boom", "fan", "lift"), 4, (4, 5, 4))


def test_two_that_also_fall_without_the_third_are_told_beside_all_three() -> None:
    falls: Falls = {"km-1": {("boom", "fan", "lift"): 4, ("boom", "fan"): 5}}
    found = fell_together(falls, {"km-1": 100.0})
    assert [(one.controllers, one.n) for one in found] == [(("boom", "fan"), 9), (("boom", "fan", "lift"), 4)]


def test_what_sets_have_in_common_is_found_though_it_never_fell_alone() -> None:
    falls: Falls = {"km-1": {("a", "b", "c"): 1, ("a", "b", "d"): 1, ("a", "b", "e"): 1}}
    (found,) = fell_together(falls, {"km-1": 1000.0})
    assert (found.controllers, found.n) == (("a", "b"), 3)


def test_two_groups_that_meet_as_often_as_chance_has_it_are_no_group_of_four() -> None:
    """Two feeds with 300 dropouts each in 100 h meet within two seconds once or so: 300 * 300 * 4 s / 100 h = 1."""
    falls: Falls = {"km-1": {("a", "b"): 298, ("c", "d"): 298, ("a", "b", "c", "d"): 2}}
    found = fell_together(falls, {"km-1": 100.0})
    assert [one.controllers for one in found] == [("a", "b"), ("c", "d")]


def test_once_is_no_pattern_and_nothing_is_none() -> None:
    assert fell_together({"km-1": {("a", "b"): 1, ("c",): 3}}, {"km-1": 100.0}) == ()
    assert fell_together({}, {}) == ()


@given(
    st.dictionaries(
        st.sets(st.sampled_from("abcde"), min_size=1).map(lambda who: tuple(sorted(who))),
        st.integers(1, 30),
        max_size=8,
    ),
    st.permutations("abcde"),
)
def test_other_names_give_the_same_groups(falls: dict[tuple[str, ...], int], order: list[str]) -> None:
    other = dict(zip("abcde", order, strict=True))
    renamed = {tuple(sorted(other[name] for name in who)): n for who, n in falls.items()}
    found = fell_together({"m": falls}, {"m": 50.0})
    again = fell_together({"m": renamed}, {"m": 50.0})
    assert {frozenset(other[name] for name in one.controllers): one.n for one in found} == {
        frozenset(one.controllers): one.n for one in again
    }
