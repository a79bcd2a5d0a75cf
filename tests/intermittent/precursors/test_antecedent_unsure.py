"""Events that somebody wrote down by hand, against dropouts."""

import numpy as np
import pytest

from busdoc.arrays import Float64Array
from busdoc.intermittent.dropouts import SETTLE_NS, Dropouts, Watched
from busdoc.intermittent.precursors.antecedent import find_antecedents
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at

S = 10**9


def dropouts_at(lost_s: Float64Array, until_s: float) -> Dropouts:
    last_ns = np.round(np.sort(lost_s) * S).astype(np.int64)
    spans = [(t, t + 2 * S + SETTLE_NS) for t in last_ns.tolist()]
    return Dropouts(
        controllers=("hopper",),
        last_seen_ns=last_ns,
        onset_ns=last_ns + S // 10,
        over_ns=last_ns + 2 * S,
        watched=Watched.between(0, round(until_s * S), spans),
    )


def marks(at_s: Float64Array, sigma_s: float) -> EventKind:
    return events_at(
        "mark: hit a bump",
        EventSource.JOURNAL,
        np.round(at_s * S).astype(np.int64),
        uncertainty_ns=np.full(len(at_s), round(sigma_s * S), np.int64),
    )


def test_bumps_written_down_within_two_minutes_are_found_before_most_dropouts() -> None:
    rng = np.random.default_rng(4)
    bump_s = np.arange(900.0, 36_000.0, 1500.0) + rng.uniform(-300.0, 300.0, 24)
    dropouts = dropouts_at(np.concatenate((bump_s[:18] + 1.5, rng.uniform(0.0, 36_000.0, 4))), 36_000.0)
    (found,) = find_antecedents([dropouts], [marks(bump_s + rng.normal(0.0, 120.0, 24), 120.0)])
    assert found.p < 1e-3
    assert found.n_preceded >= 15
    assert not found.is_sure
    assert "as far as its times were written down" in found.words


def test_marks_that_have_nothing_to_do_with_it_are_found_no_more_often_than_chance() -> None:
    p = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        dropouts = dropouts_at(rng.uniform(0.0, 7200.0, 15), 7200.0)
        p.append(find_antecedents([dropouts], [marks(rng.uniform(0.0, 7200.0, 20), 5.0)])[0].p)
    assert float(np.mean(np.array(p) <= 0.05)) <= 0.13  # three standard deviations above 5 %


def test_nearly_sure_times_count_as_sure_ones_do() -> None:
    rng = np.random.default_rng(1)
    lost_s = np.sort(rng.uniform(100.0, 7000.0, 12))
    lost_s = lost_s[np.diff(lost_s, prepend=0.0) > 60.0]
    dropouts = dropouts_at(lost_s, 7200.0)
    at_s = np.concatenate((lost_s - 0.5, rng.uniform(0.0, 7200.0, 6)))
    (unsure,) = find_antecedents([dropouts], [marks(at_s, 0.001)])
    (sure,) = find_antecedents([dropouts], [marks(at_s, 0.0)])
    assert unsure.n_preceded == sure.n_preceded
    assert np.log10(unsure.p) == pytest.approx(np.log10(sure.p), abs=1.5)


def test_windows_much_shorter_than_the_doubt_are_not_tried() -> None:
    dropouts = dropouts_at(np.array([500.0, 1500.0, 2500.0, 3500.0]), 7200.0)
    (found,) = find_antecedents([dropouts], [marks(np.array([490.0, 1490.0, 2490.0]), 120.0)])
    assert found.window_s == 60.0


def test_marks_far_from_every_dropout_explain_nothing() -> None:
    dropouts = dropouts_at(np.array([500.0, 1500.0, 2500.0]), 72_000.0)
    (found,) = find_antecedents([dropouts], [marks(np.array([50_000.0, 51_000.0, 52_000.0]), 5.0)])
    assert (found.n_preceded, found.p, found.lag_s) == (0, 1.0, None)


def test_marks_that_were_written_after_each_dropout_are_said_to_be_doubtful() -> None:
    rng = np.random.default_rng(1)
    lost_s = np.arange(400.0, 7000.0, 600.0) + rng.uniform(-99.0, 99.0, 11)
    (found,) = find_antecedents([dropouts_at(lost_s, 7200.0)], [marks(lost_s + rng.uniform(2.0, 6.0, 11), 5.0)])
    assert found.order_unclear
    assert "may be an answer to the loss" in found.words
