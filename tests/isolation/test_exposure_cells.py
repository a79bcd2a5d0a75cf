"""Time cut at every action, loss and return, by hand."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from busdoc.isolation.suspects import exposure_cells
from busdoc.isolation.suspects.exposure import find_reach
from busdoc.isolation.suspects.exposure_cells import Cells, before_first, cut_cells, exempt
from busdoc.isolation.suspects.losses import gather_losses
from busdoc.isolation.suspects.rates import RATES_HZ
from busdoc.machine.machine import Machine
from tests.truth.hand_records import dropout, plug, sweeper, unplug

MOVES = (unplug(1, 30.0, "harness-A"), plug(2, 60.0, "harness-A"))


def cut(*, home: bool = True) -> tuple[Cells, tuple[str, ...]]:
    """The hopper falls at 20 s, 40 s and for good at 90 s of 100 s; its harness is out from 30 s to 60 s."""
    reach = find_reach(sweeper(), MOVES)
    incidents = [dropout(20.0, 25.0, "hopper"), dropout(40.0, 45.0, "hopper"), dropout(90.0, None, "hopper")]
    losses = gather_losses(incidents, reach.controllers, 0)
    at_home = np.full((len(reach.parts), len(reach.controllers)), home)
    return cut_cells(losses, reach, np.array([30.0, 60.0]), 100.0, 10.0, at_home), reach.parts


def test_pieces_end_at_every_action_loss_and_return_and_at_the_first_trouble() -> None:
    cells, parts = cut()
    assert cells.from_s == pytest.approx([0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 45.0, 60.0, 90.0])
    assert cells.length_s == pytest.approx([10.0, 10.0, 5.0, 5.0, 10.0, 5.0, 15.0, 30.0, 10.0])
    # Exposed while it is in and the hopper is up; the fuse also to the fan and the lift, all the while.
    assert cells.live[:, parts.index("harness-A")].tolist() == [True, True, False, True] + [False] * 3 + [True, False]
    assert cells.live[:, parts.index("fuse-3")].all()
    assert not cut(home=False)[0].live.any()
    # What the harness is plugged to changes twice; what the sensor on it is, with it; nothing else.
    assert cells.stint[:, parts.index("harness-A")].tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2]
    assert (cells.stint[:, parts.index("gate-angle")] == cells.stint[:, parts.index("harness-A")]).all()
    assert not cells.stint[:, parts.index("harness-B")].any()
    assert cells.up_s == pytest.approx(5 * 100.0 + 80.0)  # five others, and the hopper without 5 s, 5 s and 10 s


@pytest.mark.parametrize(("t", "stint"), [(0.0, 0), (29.9, 0), (30.0, 0), (30.1, 1), (60.1, 2), (500.0, 2)])
def test_the_stint_at_an_instant_is_that_just_before_it(t: float, stint: int) -> None:
    cells, parts = cut()
    assert cells.stint_at(t)[parts.index("harness-A")] == stint


def test_at_the_very_beginning_it_is_the_first_stint_however_short_that_is() -> None:
    cells, parts = cut()
    harness = parts.index("harness-A")
    later = replace(cells, stint=cells.stint + np.arange(len(cells.from_s))[:, None])
    assert (later.stint_at(0.0)[harness], later.stint_at(0.1)[harness], later.stint_at(10.1)[harness]) == (0, 0, 1)


def test_the_shortest_pieces_count_as_well() -> None:
    """Away for a fifth of a second, and a tenth later out."""
    moves = (unplug(1, 20.8, "harness-A"),)
    reach = find_reach(sweeper(), moves)
    losses = gather_losses([dropout(20.0, 20.2, "hopper")], reach.controllers, 0)
    home = np.ones((len(reach.parts), len(reach.controllers)), np.bool_)
    cells = cut_cells(losses, reach, np.array([20.3]), 100.0, 20.0, home)
    harness = reach.parts.index("harness-A")
    assert cells.from_s == pytest.approx([0.0, 20.0, 20.2, 20.3])
    assert cells.live[:, harness].tolist() == [True, False, True, False]
    assert cells.stint[:, harness].tolist() == [0, 0, 0, 1]
    assert cells.up_s == pytest.approx(5 * 100.0 + 99.8)
    assert cells.middle_s == pytest.approx([10.0, 20.1, 20.25, 60.15])


def test_what_is_summed_over_a_press_is_taken_out_of_the_pieces() -> None:
    """Of the part that it joined, from the press to the dropout; the hopper being back since before the press."""
    cells, parts = cut()
    reach = find_reach(sweeper(), MOVES)
    hit = np.array([name == "hopper" for name in reach.controllers])
    before = cells.live.copy()
    exempt(cells, reach, np.array([0, 1]), np.array([30.0, 60.0]), 90.0, hit, 45.0)
    changed = np.argwhere(cells.live != before)
    assert {(int(k), parts[p]) for k, p in changed} == {(7, "harness-A"), (7, "gate-angle")}


def test_a_fault_was_there_before_or_began_at_any_time_until_the_first_trouble() -> None:
    """Half for each; begun within 10 s of exposure, from each instant on: (1 - e^-10r) / 10r (by hand)."""
    cells, parts = cut()
    mixed = before_first(cells, 10.0)
    spent = 10.0 * RATES_HZ
    expected = 0.5 * np.exp(-spent) + 0.5 * -np.expm1(-spent) / spent
    assert mixed[parts.index("harness-A")] == pytest.approx(expected)
    # By the second dropout it has been exposed for 10 s, was away for 5 s with the hopper, and exposed for 5 s.
    second = before_first(cells, 30.0)[parts.index("harness-B")]
    quiet = np.exp(-25.0 * RATES_HZ)
    begun = [np.exp(-25.0 * RATES_HZ + RATES_HZ * x) for x in np.arange(0.05, 20.0, 0.1)]
    begun += [np.exp(-5.0 * RATES_HZ)] * 50
    begun += [np.exp(-5.0 * RATES_HZ + RATES_HZ * x) for x in np.arange(0.05, 5.0, 0.1)]
    slow = RATES_HZ < 1.0
    assert second[slow] == pytest.approx((0.5 * quiet + 0.5 * np.mean(begun, axis=0))[slow], rel=1e-3)
    assert before_first(cells, 0.0) == pytest.approx(np.ones_like(mixed))


def test_who_is_joined_to_whom_is_found_without_a_table_of_all_with_all() -> None:
    source = np.random.default_rng(3)
    n_parts, n_controllers, n_cells = 7, 5, 40
    reaches = source.random((4, n_parts, n_controllers)) < 0.3
    home = source.random((n_parts, n_controllers)) < 0.8
    up = source.random((n_cells, n_controllers)) < 0.5
    stretch = np.sort(source.integers(0, 4, n_cells))
    seen = np.minimum(stretch + source.integers(0, 2, n_cells), 3)
    reach = replace(find_reach(Machine(), []), parts=tuple("abcdefg"), reaches=reaches)
    dense = np.any(reaches[stretch] & reaches[seen] & home & up[:, None, :], axis=2)
    assert np.array_equal(exposure_cells._any_joined(reach, home, up, stretch, seen), dense)


def test_thousands_of_identifiers_take_no_memory_for_each_with_each() -> None:
    n, n_cells = 1500, 600
    reach = replace(find_reach(Machine(), []), parts=tuple(map(str, range(n))), reaches=np.eye(n, dtype=bool)[None])
    up, stretch = np.ones((n_cells, n), np.bool_), np.zeros(n_cells, np.int64)
    tracemalloc.start()
    live = exposure_cells._any_joined(reach, np.ones((n, n), np.bool_), up, stretch, stretch)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert live.all()
    assert peak < 30e6  # a byte for each with each in each cell were 1,350 million
